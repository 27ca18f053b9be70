"""What people cost: a ranking under three conditions against the matched one alone, in processor time of one run.

python benchmarks/ranking/conditions_time.py [words]
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

for folder in (
    Path(__file__).resolve().parents[1],
    Path(__file__).resolve().parents[2] / "examples",
):
    sys.path.insert(0, str(folder))

import numpy as np
from make_calibration import make_calibration
from sections import save, section

import nearkey as nk
from nearkey.simulate import RecordedPeople, TouchesOnLayout


def main() -> None:
    words = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    base, pack = nk.Layout.named("qwerty"), nk.load_pack("en")
    layouts = [base.fitted(18, 12)]
    for rows, columns in ((1, 5), (2, 3), (3, 2)):
        layouts += nk.grid_layouts(base, rows=rows, columns=columns, width_mm=18, height_mm=12)
    with TemporaryDirectory() as folder:
        logs = [
            TouchesOnLayout(nk.TouchLog.read(path), layout)
            for path, layout in make_calibration(folder).values()
        ]
    models = [nk.GaussianTouch().fit(one.for_fitting(one.log), one.layout) for one in logs]
    touch = {
        layout.name: next(
            model.for_layout(layout)
            for model, one in zip(models, logs, strict=True)
            if np.array_equal(one.layout.centers, layout.centers)
        )
        for layout in layouts
    }
    settings = {"touch": touch, "pack": pack, "seed": 7, "baseline": "qwerty"}
    nk.rank_layouts(layouts, words=500, **settings)  # what is made once and kept is made here
    times = [process_time()]
    nk.rank_layouts(layouts, words=words, **settings)
    times.append(process_time())
    found = nk.rank_layouts(layouts, words=words, people=RecordedPeople(logs), **settings)
    times.append(process_time())
    alone, together = np.diff(times).tolist()
    each = found.conditions[0].words_each * len(found.conditions[0].people)
    rows = [
        ["matched alone", len(layouts), words, 0, alone, 1.0],
        ["three conditions", len(layouts), words, 2 * each, together, together / alone],
    ]
    save(
        "ranking_conditions_time",
        section(
            "Three conditions of a ranking: their time",
            "python benchmarks/ranking/conditions_time.py",
            "conditions; layouts; words a layout; words of people a layout; processor seconds|1; times matched alone|2",
            rows,
            order=91,
            timed=True,
            notes=[
                "One thread, one run after the other, processor time of this process: other work on the machine has no "
                "part in it. The people are the demo's eight invented ones; fitting their models is included.",
            ],
        ),
    )


if __name__ == "__main__":
    main()
