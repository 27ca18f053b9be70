"""Calibrate: touch the key that is named, in a balanced order; then a model is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from nearkey.lab.activity import ActivityStep, Deed, FitTouches, KeepTouch, OpenPads, button


def balanced_targets(key_ids: Sequence[str], each: int, seed: int) -> tuple[str, ...]:
    """Every key `each` times: round after round with every key once, in an order drawn anew for each round.

    No key comes twice in a row, but where there is only one.
    """
    rng = np.random.default_rng(seed)
    order: list[str] = []
    for _ in range(each):
        drawn = [key_ids[i] for i in rng.permutation(len(key_ids))]
        if order and len(drawn) > 1 and drawn[0] == order[-1]:
            place = int(rng.integers(1, len(drawn)))
            drawn[0], drawn[place] = drawn[place], drawn[0]
        order += drawn
    return tuple(order)


@dataclass(frozen=True, slots=True)
class CalibrateActivity:
    """Prompted targets.

    condition : whose keys. targets : key ids in order. labels : what is drawn on each key. at : the next target.
    result : lines about the fitted model, once there is one. state : "ready", "target" or "fitted".
    """

    condition: str
    targets: tuple[str, ...]
    labels: dict[str, str]
    at: int = 0
    state: str = "ready"
    result: tuple[str, ...] = ()

    kind = "calibrate"
    types = False

    @property
    def step(self) -> ActivityStep:
        """What is to be shown."""
        total = len(self.targets)
        if self.state == "ready":
            lines: tuple[str, ...] = (
                "A key is named, or marked on the pad. Touch it, at the pace you would type, and go on to the next.",
                "Aim for the middle. Do not correct yourself: every touch counts, the wide ones too.",
            )
            if self.at:
                lines = (f"{self.at} touches are kept from before.", *lines)
            return ActivityStep(
                "ready",
                "Calibration",
                lines,
                done=self.at,
                total=total,
                buttons=(button("Begin", "next"),),
            )
        if self.state == "target":
            target = self.targets[self.at]
            return ActivityStep(
                "target",
                f"Touch {self.labels[target]}",
                target=target,
                done=self.at,
                total=total,
                takes_touches=True,
            )
        again = (button("Once more", "next"), button("Finish", "leave"))
        return ActivityStep(
            "fitted", "Calibration done", self.result, done=total, total=total, buttons=again
        )

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """Puts the pad up."""
        return self, (OpenPads((self.condition,)),)

    def touched(self) -> tuple[Self, tuple[Deed, ...]]:
        """A touch is kept under the present target."""
        if self.state != "target":
            return self, ()
        kept = KeepTouch(self.targets[self.at], 0, self.at)
        if self.at + 1 < len(self.targets):
            return replace(self, at=self.at + 1), (kept,)
        return replace(self, at=self.at + 1, state="fitted"), (kept, FitTouches(self.condition))

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """Begins, or begins another round of all targets."""
        if self.state == "ready":
            return replace(self, state="target"), ()
        if self.state == "fitted":
            return replace(self, state="target", at=0, result=()), ()
        return self, ()

    def with_result(self, lines: tuple[str, ...]) -> Self:
        """With what is said of the fitted model."""
        return replace(self, result=lines)

    def leave(self) -> tuple[Deed, ...]:
        """Nothing: touches are kept as they come."""
        return ()
