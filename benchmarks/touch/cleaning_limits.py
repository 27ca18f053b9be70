"""How many good touches cleaning drops, by how many touches a group has: simulated normal touches.

python benchmarks/touch/cleaning_limits.py
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sections import save_section

import nearkey as nk

NOMINAL = 1 - 0.9973002**2  # beyond 3 standard deviations on either axis
PEOPLE = 400


def main() -> None:
    layout = nk.Layout.named("qwerty")
    rng = np.random.default_rng(0)
    touch = nk.GaussianTouch.from_layout(layout, spread=0.3)
    rows = []
    for each in (20, 30, 50, 100, 400):
        people = max(20, PEOPLE * 20 // each)
        n = people * each
        points = touch.sample(np.zeros(n, dtype=np.int64), rng)
        names = np.repeat([f"invented-{i}" for i in range(people)], each)
        log = nk.TouchLog.from_points(
            points,
            [layout.key_ids[0]] * n,
            participant=names,
            time_s=np.arange(n, dtype=np.float64),
        )
        kept, report = nk.clean(log, layout)
        variance = kept.points.var(axis=0).mean() / points.var(axis=0).mean()
        rows.append([each, n, report.n_dropped / n, NOMINAL, variance])
    save_section(
        "cleaning_limits",
        "Cleaning: good touches dropped",
        "touches a key and person; touches; dropped|%; beyond 3 SD|%; variance kept|%",
        rows,
        order=96,
        notes=["Normal touches, none of them an outlier: what is dropped is lost for nothing."],
    )


if __name__ == "__main__":
    main()
