"""Make INVENTED calibration touches for the stylus pad: nobody touched anything.

Eight made-up people aim at letters on a pad of 18 x 12 mm without looking at it. They differ in what people differ in:
finger width, offset, spread and its slant, how long the tails are, how often they slip to a neighbouring key or touch
twice, how far the pad wanders and turns in the hand, and whether they aim at a letter's own place inside a large key.
How far is stated in `invent_people` and in `nearkey.simulate.invented_hands`: set down from plausibility before
anything was ranked with them. Some touches are wild, a few rows stand twice, some targets are mislabelled, and one
person's clock was set back, so that the cleaner has work.

    python examples/make_calibration.py --out examples/stylus-pad/calibration
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import nearkey as nk
from nearkey.files import atomic_write
from nearkey.simulate import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    HandTouch,
    HandTraits,
    invent_hands,
)
from nearkey.simulate.typist import Aims

PAD_MM = (18.0, 12.0)
PEOPLE = 8
WILD, TWICE, MISLABELLED = 0.015, 0.006, 0.008  # shares of the touches
NOTE = "INVENTED data, made by examples/make_calibration.py; nobody touched anything"


@dataclass(frozen=True)
class Person:
    """A made-up hand and the width of its finger in mm."""

    name: str
    traits: HandTraits
    finger_width: float


def invent_people(seed: np.random.SeedSequence) -> list[Person]:
    """Everybody lands a little low and right of the aim, each in their own way; wide fingers scatter more."""
    rng = np.random.default_rng(seed)
    middle = HandTraits(spread_mm=2.0, offset_x_mm=0.2, offset_y_mm=0.5, **PLAUSIBLE_TRAITS)
    hands = invent_hands(
        middle, PEOPLE, offset_sd_mm=0.55, traits_sd=PLAUSIBLE_SD, seed=int(rng.integers(2**31))
    )
    people = []
    for number, hand in enumerate(hands, start=1):
        width = float(np.clip(rng.normal(14.0, 1.5), 11.0, 18.0))
        own = replace(hand, spread_mm=hand.spread_mm * (width / 14.0) ** 0.5)
        people.append(Person(f"invented-{number}", own, round(width, 1)))
    return people


def touch(
    layout: nk.Layout, each: int, people: list[Person], rng: np.random.Generator
) -> nk.TouchLog:
    """A log of every person aiming `each` times at every letter, in random order; x, y in mm."""
    letters = "".join(sorted(layout.letters))
    key_of = np.array([layout.key_of_letter[letter] for letter in letters])
    pad = np.array(PAD_MM)
    rows: list[tuple[object, ...]] = []
    for person in people:
        order = rng.permutation(np.repeat(np.arange(len(letters)), each))
        aims = Aims(key_of[order], order, letters, np.zeros(len(order), dtype=np.int64))
        points, trials = HandTouch(layout, person.traits).perform(aims, rng)
        # Away from the middle of the pad, people fall a little short.
        centres = layout.centers[key_of[order[trials]]] * layout.unit_mm
        points = points * layout.unit_mm + 0.05 * (pad / 2 - centres)
        clock = 0.0
        set_back = len(order) // 2 if person.name == "invented-6" else -1
        for touched, (trial, point) in enumerate(zip(trials.tolist(), points, strict=True)):
            if rng.random() < WILD:
                point = rng.uniform(-pad / 2, 1.5 * pad)
            said = letters[order[trial] if rng.random() >= MISLABELLED else rng.integers(26)]
            clock += float(rng.lognormal(-0.1, 0.3)) - (30.0 if touched == set_back else 0.0)
            x, y = np.round(point, 2).tolist()
            row = (person.name, "1", trial, 0, round(clock, 3), x, y, said, person.finger_width)
            rows += [row] * (2 if rng.random() < TWICE else 1)
    names = ("participant", "session", "trial", "order", "time_s", "x", "y", "target", "width_mm")
    columns = {
        name: np.array(column) for name, column in zip(names, zip(*rows, strict=True), strict=True)
    }
    columns["device"] = np.full(len(rows), "invented")
    return nk.TouchLog.from_columns(columns, unit="mm")


def surfaces() -> dict[str, tuple[nk.Layout, int]]:
    """What was touched, by file name: the layout, and touches a letter."""
    qwerty = nk.Layout.named("qwerty")
    width, height = PAD_MM
    found = {}
    for rows, columns in ((1, 5), (2, 3), (3, 2)):
        # All strict grids of a shape have their keys in the same places: the first serves them all.
        grid = next(
            nk.grid_layouts(qwerty, rows=rows, columns=columns, width_mm=width, height_mm=height)
        )
        found[f"grid-{rows}x{columns}.csv"] = (grid, 5)
    found["letters.csv"] = (qwerty.fitted(width, height), 6)
    return found


def make_calibration(folder: str | Path, *, seed: int = 11) -> dict[str, tuple[Path, nk.Layout]]:
    """Write the logs; returns each file's path and the layout its targets are of, by file name."""
    kinds = surfaces()
    people_seed, *touch_seeds = np.random.SeedSequence(seed).spawn(1 + len(kinds))
    people = invent_people(people_seed)
    made = {}
    for (name, (layout, each)), touch_seed in zip(kinds.items(), touch_seeds, strict=True):
        log = touch(layout, each, people, np.random.default_rng(touch_seed))
        path = Path(folder) / name
        log.write(path)
        text = path.read_text(encoding="utf-8")
        with atomic_write(path) as file:
            file.write(f"# note = {NOTE}\n{text}")
        made[name] = (path, layout)
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description="Make INVENTED calibration touches.")
    parser.add_argument("--out", default="calibration", help="folder for the logs")
    parser.add_argument("--seed", type=int, default=11)
    options = parser.parse_args()
    for path, layout in make_calibration(options.out, seed=options.seed).values():
        print(f"{path}: {len(nk.TouchLog.read(path)):,} invented touches on {layout.name}")


if __name__ == "__main__":
    main()
