"""Ranking: simulated words a second on one core, with and without context.

NEARKEY_DATA=... python benchmarks/ranking/throughput.py
"""

from __future__ import annotations

import sys
import time
from itertools import product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from decoder_words import demo_layouts
from harness import held_out_lines
from sections import save_section

import nearkey as nk

WORDS = 5000


def main() -> None:
    table, whole = (nk.load_pack("en", context_model=network) for network in (False, True))
    layouts = demo_layouts()
    lines = held_out_lines()
    rows_out = []
    for (name, pack, corpus, words), workers in product(
        (
            ("none", table, None, WORDS),
            ("n-gram table", table, lines, WORDS),
            ("table and network", whole, lines, WORDS // 10),
        ),
        (1, 2),
    ):
        if name != "none" and corpus is None:
            continue
        start, processor = time.perf_counter(), time.process_time()
        result = nk.rank_layouts(
            layouts,
            touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread_mm=2.0),
            pack=pack,
            words=words,
            seed=3,
            corpus=corpus,
            baseline="qwerty",
            workers=workers,
        )
        wall, used = time.perf_counter() - start, time.process_time() - processor
        n = sum(row.words for row in result.rows)
        rows_out.append([name, workers, len(layouts), n, wall, n / wall, n / used])
        print(*rows_out[-1], sep="\t")
    save_section(
        "ranking_throughput",
        title="Ranking layouts: simulated words a second",
        order=90,
        timed=True,
        columns=(
            "context; threads; layouts; words; seconds|1; words a second|0; "
            "words a second of processor time (one core)|0"
        ),
        rows=rows_out,
        notes=[
            f"All strict 1 x 5, 2 x 3 and 3 x 2 grids over qwerty and 26 keys on a pad of 18 x 12 mm, {WORDS:,} words each ({WORDS // 10:,} with the network), spread 2 mm, "
            "drawing touches, decoding five candidates, keystrokes, collisions and the table included.",
        ],
    )


if __name__ == "__main__":
    main()
