"""The open phone touches as a touch log: a virtual key at each target.

NEARKEY_DATA=FOLDER python benchmarks/touch/open_touches.py --out open.csv

writes the log (.csv, .jsonl or .parquet) and, beside it, the layout it is for (open.toml), and prints
the command that compares touch models on the two. FOLDER holds touch_accuracy/taps_phone_b.csv and
participants.csv.

Data: Larsen, Jacobsen, Boring, Bergström, Pohl, "The Influence of Hand Size on Touch Accuracy",
MobileHCI 2019, article 4, doi:10.1145/3338286.3340115; hcidata collection, licence CC BY 4.0.
13,500 thumb taps of 27 people on a phone of 750 x 1334 pixels at 326 per inch.

The targets were random points, so there were no keys. Here virtual keys are laid over the screen, each
target is given to the key it lies on, and the touch is moved along with its target to that key's
centre: offsets stay as they were. It says nothing about a stylus barrel.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
from pathlib import Path

import numpy as np

from nearkey.errors import NearkeyError
from nearkey.layout import Layout
from nearkey.touch import TouchLog
from nearkey.touch.key_geometry import Geometry, geometry_of

MM_PER_PIXEL = 25.4 / 326
WIDTH_MM, HEIGHT_MM = 750 * MM_PER_PIXEL, 1334 * MM_PER_PIXEL
ABSENT = "the open touch data is not on this machine; set NEARKEY_DATA to the folder that holds it"


def data_folder() -> Path | None:
    """The folder `touch_accuracy` under NEARKEY_DATA; None if absent."""
    folder = Path(os.environ.get("NEARKEY_DATA", "")) / "touch_accuracy"
    return folder if (folder / "taps_phone_b.csv").is_file() else None


def phone_grid(columns: int = 6, rows: int = 10) -> Geometry:
    """A grid of keys over the whole screen, in millimetres."""
    w, h = WIDTH_MM / columns, HEIGHT_MM / rows
    centers = [((c + 0.5) * w, (r + 0.5) * h) for r in range(rows) for c in range(columns)]
    n = len(centers)
    return Geometry(
        key_ids=tuple(f"r{i // columns}c{i % columns}" for i in range(n)),
        letters=("",) * n,
        centers=np.array(centers),
        sizes=np.full((n, 2), [w, h]),
        width=WIDTH_MM,
        height=HEIGHT_MM,
        unit_mm=1.0,
    )


def phone_keyboard() -> Layout:
    """QWERTY as wide as the phone, its keys square: 26 keys of 5.8 mm."""
    return Layout.named("qwerty").fitted(WIDTH_MM, WIDTH_MM * 0.3)


def open_touches(folder: Path, keys: Geometry | Layout) -> TouchLog:
    """The taps on virtual keys, in millimetres, with thumb widths; taps marked as outliers are kept.

    Each target goes to the key that is nearest when the keys are stretched over the whole screen.
    """
    grid = geometry_of(keys)
    with (folder / "participants.csv").open(encoding="utf-8", newline="") as source:
        width_mm = {r["PID"]: 10 * float(r["ThumbPadWidth"]) for r in csv.DictReader(source)}
    with (folder / "taps_phone_b.csv").open(encoding="utf-8", newline="") as source:
        taps = list(csv.DictReader(source))

    def pair(x: str, y: str) -> np.ndarray:
        return np.array([(float(t[x]), float(t[y])) for t in taps]) * MM_PER_PIXEL

    touch, target = pair("TouchX", "TouchY"), pair("TargetX", "TargetY")
    stretch = np.array([WIDTH_MM / grid.width, HEIGHT_MM / grid.height])
    apart = (target[:, None, :] - grid.centers * stretch) / (grid.sizes * stretch)
    key = np.abs(apart).max(axis=2).argmin(axis=1)
    points = grid.centers[key] * grid.unit_mm + touch - target
    person = [t["PID"] for t in taps]
    seconds = np.array([float(t["SelectionTimeSeconds"]) for t in taps])
    time_s = np.zeros(len(taps))
    for name in set(person):
        mine = np.array(person) == name
        time_s[mine] = np.cumsum(seconds[mine])
    return TouchLog.from_columns(
        {
            "participant": person,
            "session": np.full(len(taps), "1"),
            "trial": [int(t["Trial"]) for t in taps],
            "order": np.zeros(len(taps)),
            "time_s": time_s,
            "x": points[:, 0],
            "y": points[:, 1],
            "target": np.array(grid.key_ids)[key],
            "width_mm": [width_mm[p] for p in person],
            "posture": np.full(len(taps), "thumb"),
            "device": np.full(len(taps), "phone"),
        },
        unit="mm",
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the open phone touches as a touch log.")
    parser.add_argument("--out", type=Path, required=True, help="log: .csv, .jsonl or .parquet")
    out: Path = parser.parse_args().out
    folder, spec = data_folder(), out.with_suffix(".toml")
    if folder is None:
        print(f"open_touches: {ABSENT}", file=sys.stderr)
        return 2
    keyboard = phone_keyboard()
    try:
        log = open_touches(folder, keyboard)
        log.write(out)
        keyboard.save(spec)
    except NearkeyError as fault:
        print(f"open_touches: {fault}", file=sys.stderr)
        return 2
    print(f"{out}: {len(log):,} touches of {len(log.participants)} people; {spec}: the keys")
    print(f"nearkey touch compare {out} --layout {spec} --clean --draw {out.with_suffix('.png')}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
