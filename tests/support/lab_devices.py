"""Devices in front of a lab, without a browser: scripted, in this process or over a WebSocket."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from nearkey.lab.lab_plan import LabPlan
from nearkey.lab.laboratory import Laboratory
from nearkey.layout import Layout

PLAN = """
name = "Barrel pad"
folder = "data"
origin = "invented"

[[conditions]]
name = "grid"
layout = "grid.toml"
fit_mm = [18, 12]

[[conditions]]
name = "letters"
layout = "qwerty"
fit_mm = [18, 12]

[calibration]
each = 2

[study]
participants = ["p1", "p2"]
phrases = "phrases.txt"
blocks = 1
phrases_per_block = 2
practice_phrases = 1
rest_s = 3
"""
PHRASES = ("level the long staff", "the gate is locked today", "peg seven is missing", "we lost the old datum",
           "read the lower angle again", "the fence leans to the road", "rain came before noon")  # fmt: skip
GROUPS = ("qwe", "rty", "uiop", "asz", "dfghxcvb", "jklnm")


def grid() -> Layout:
    """Six keys on 18 x 12 mm."""
    from nearkey.layout import Key

    keys = tuple(
        Key(
            id=f"k{i}",
            label=letters.upper(),
            x=6.0 * (i % 3),
            y=6.0 * (i // 3),
            w=6.0,
            h=6.0,
            letters=letters,
        )
        for i, letters in enumerate(GROUPS)
    )
    return Layout(name="barrel-grid", unit_mm=1.0, width=18.0, height=12.0, keys=keys)


def plan_file(folder: Path, text: str = PLAN) -> Path:
    """A lab's plan with its files in a folder."""
    grid().save(folder / "grid.toml")
    (folder / "phrases.txt").write_text("\n".join(PHRASES) + "\n", encoding="utf-8")
    path = folder / "lab.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Device:
    """One device joined to a lab in this process; `heard` are the replies, oldest first."""

    def __init__(self, laboratory: Laboratory, role: str = "both", **hello: Any) -> None:
        self.laboratory = laboratory
        self.heard: list[dict[str, Any]] = []
        self.serial = laboratory.connect(lambda text: self.heard.append(json.loads(text)))
        self.n = 0
        self.say("hello", role=role, **hello)

    def say(self, kind: str, **fields: Any) -> list[dict[str, Any]]:
        """Send a message; the replies it brought to this device."""
        before = len(self.heard)
        self.laboratory.receive(self.serial, json.dumps({"type": kind, **fields}))
        return self.heard[before:]

    def touch(self, x: float, y: float, **fields: Any) -> list[dict[str, Any]]:
        """A numbered touch."""
        self.n += 1
        return self.say("touch", x=x, y=y, n=self.n, **fields)

    def last(self, kind: str) -> dict[str, Any]:
        """The latest reply of a kind."""
        return next(reply for reply in reversed(self.heard) if reply["type"] == kind)

    @property
    def scene(self) -> dict[str, Any]:
        return self.last("scene")

    def go(self) -> None:
        self.disconnect = self.laboratory.disconnect(self.serial)


def lab_in(
    folder: Path, pack: Any, *, clock: Clock | None = None, text: str = PLAN, **options: Any
) -> Laboratory:
    """A lab over a plan in a folder."""
    plan = LabPlan.load(plan_file(folder, text))
    return Laboratory(plan, pack, **({"clock": clock} if clock else {}), **options)


def place_of(letter: str) -> tuple[float, float]:
    """The middle of a letter's key on the grid, in mm."""
    i = next(i for i, letters in enumerate(GROUPS) if letter in letters)
    return 6.0 * (i % 3) + 3.0, 6.0 * (i // 3) + 3.0
