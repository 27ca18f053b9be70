"""Make INVENTED calibration touches for the stylus pad: nobody touched anything.

Eight made-up people aim at keys on a pad of 18 x 12 mm without looking at it. Each has an offset, a
spread (about 2 mm) with its own slant, and a finger width; some touches are wild, a few rows stand twice,
some targets are mislabelled, and one person's clock was set back, so that the cleaner has work.

    python examples/make_calibration.py --out examples/stylus-pad/calibration
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import nearkey as nk
from nearkey.files import atomic_write

PAD_MM = (18.0, 12.0)
PEOPLE = 8
WILD, TWICE, MISLABELLED = 0.015, 0.006, 0.008  # shares of the touches
NOTE = "INVENTED data, made by examples/make_calibration.py; nobody touched anything"


@dataclass(frozen=True)
class Person:
    """A made-up hand; lengths in mm."""

    name: str
    offset: np.ndarray
    covariance: np.ndarray
    finger_width: float


def invent_people(rng: np.random.Generator) -> list[Person]:
    """Everybody lands a little low and right of the aim, each in their own way."""
    people = []
    for number in range(1, PEOPLE + 1):
        width = float(np.clip(rng.normal(14.0, 1.5), 11.0, 18.0))
        sx, sy = np.array([2.0, 1.8]) * np.exp(rng.normal(0.0, 0.12, 2)) * (width / 14.0) ** 0.5
        slant = rng.uniform(-0.35, 0.35)
        covariance = np.array([[sx * sx, slant * sx * sy], [slant * sx * sy, sy * sy]])
        offset = np.array([0.2, 0.5]) + rng.normal(0.0, 0.55, 2)
        people.append(Person(f"invented-{number}", offset, covariance, round(width, 1)))
    return people


def touch(
    layout: nk.Layout, targets: list[str], each: int, people: list[Person], rng: np.random.Generator
) -> nk.TouchLog:
    """A log of every person aiming `each` times at every target, in random order; x, y in mm."""
    key_of = {key.id: i for i, key in enumerate(layout.keys)} | dict(layout.key_of_letter)
    pad = np.array(PAD_MM)
    rows: list[tuple[object, ...]] = []
    for person in people:
        order = rng.permutation(np.repeat(targets, each))
        clock = 0.0
        set_back = len(order) // 2 if person.name == "invented-6" else -1
        for trial, target in enumerate(order.tolist()):
            centre = layout.centers[key_of[target]] * layout.unit_mm
            # Away from the middle of the pad, people fall a little short.
            mean = centre + person.offset + 0.05 * (pad / 2 - centre)
            point = rng.multivariate_normal(mean, person.covariance)
            if rng.random() < WILD:
                point = rng.uniform(-pad / 2, 1.5 * pad)
            said = target if rng.random() >= MISLABELLED else str(rng.choice(targets))
            clock += float(rng.lognormal(-0.1, 0.3)) - (30.0 if trial == set_back else 0.0)
            x, y = np.round(point, 2).tolist()
            row = (person.name, "1", trial, 0, round(clock, 3), x, y, said, person.finger_width)
            rows += [row] * (2 if rng.random() < TWICE else 1)
    names = ("person", "session", "trial", "order", "time_s", "x", "y", "target", "width_mm")
    columns = {
        name: np.array(column) for name, column in zip(names, zip(*rows, strict=True), strict=True)
    }
    columns["device"] = np.full(len(rows), "invented")
    return nk.TouchLog.from_columns(columns, unit="mm")


def surfaces() -> dict[str, tuple[nk.Layout, list[str], int]]:
    """What was touched, by file name: the layout, the targets, and touches a target."""
    qwerty = nk.Layout.named("qwerty")
    width, height = PAD_MM
    found = {}
    for rows, columns, each in ((1, 5, 24), (2, 3, 20), (3, 2, 20)):
        # All strict grids of a shape have their keys in the same places: any of them will do.
        grid = next(
            nk.grid_layouts(qwerty, rows=rows, columns=columns, width_mm=width, height_mm=height)
        )
        found[f"grid-{rows}x{columns}.csv"] = (grid, list(grid.key_ids), each)
    found["letters.csv"] = (qwerty.fitted(width, height), list(qwerty.letters), 6)
    return found


def make_calibration(folder: str | Path, *, seed: int = 11) -> dict[str, tuple[Path, nk.Layout]]:
    """Write the logs; returns each file's path and the layout its targets are of, by file name."""
    kinds = surfaces()
    people_seed, *touch_seeds = np.random.SeedSequence(seed).spawn(1 + len(kinds))
    people = invent_people(np.random.default_rng(people_seed))
    made = {}
    for (name, (layout, targets, each)), touch_seed in zip(kinds.items(), touch_seeds, strict=True):
        log = touch(layout, targets, each, people, np.random.default_rng(touch_seed))
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
