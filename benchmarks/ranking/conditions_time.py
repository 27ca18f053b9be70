"""What people cost: a ranking under three conditions against the matched one alone, in processor time of one run.

python benchmarks/ranking/conditions_time.py [words]
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "examples")]

import numpy as np
from decoder_words import demo_layouts
from make_calibration import make_calibration
from sections import save_section

import nearkey as nk
from nearkey.simulate import RecordedPeople, TouchesOnLayout


def main() -> None:
    words = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    pack, layouts = nk.load_pack("en"), demo_layouts()
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
    save_section(
        "ranking_conditions_time",
        "Three conditions of a ranking: their time",
        "conditions; layouts; words a layout; words of people a layout; processor seconds|1; times matched alone|2",
        rows,
        order=91,
        timed=True,
        notes=[
            "One thread, one run after the other, processor time of this process: other work on the machine has no "
            "part in it. The people are the demo's eight invented ones; fitting their models is included.",
        ],
    )


if __name__ == "__main__":
    main()
