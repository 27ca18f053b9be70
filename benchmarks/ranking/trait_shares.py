"""Which trait of invented people decides between a 2 x 3 grid and 26 keys: each left out in turn.

python benchmarks/ranking/trait_shares.py
"""

from __future__ import annotations

import math

from crossover import CONDITIONS, PEOPLE, WORDS, hands, lead
from sections import save_section

import nearkey as nk

SPREAD_MM = 2.0
LEFT_OUT: dict[str, dict[str, float]] = {
    "none": {},
    "slips": {"slip": 0.0},
    "aim at the letter's own place": {"aim": 0.0},
    "missed and doubled touches": {"missed": 0.0, "doubled": 0.0},
    "drift and turn": {"drift_mm": 0.0, "turn_deg": 0.0},
    "tails": {"tails": math.inf},
}


def main() -> None:
    pack, base = nk.load_pack("en"), nk.Layout.named("qwerty")
    keys = base.fitted(18, 12)
    # The grid that leads the demo's; any of the leaders would do.
    grid = list(nk.grid_layouts(base, rows=2, columns=3, width_mm=18, height_mm=12))[15]
    rows: list[list[object]] = []
    for name, changes in LEFT_OUT.items():
        result = nk.rank_layouts(
            [grid],
            touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread_mm=SPREAD_MM),
            pack=pack,
            words=2 * WORDS,
            seed=2,
            baseline=keys,
            people=hands(SPREAD_MM, **changes),
            people_words=2 * WORDS,
        )
        rows.append([name, *(lead(result, grid.name, c) for c in CONDITIONS[1:])])
    save_section(
        "ranking_traits",
        "Which trait of people decides between a 2 x 3 grid and 26 keys",
        f"trait left out; {CONDITIONS[1]}, points|1; {CONDITIONS[2]}, points|1",
        rows,
        order=97,
        notes=[
            f"Lead of {grid.name} over 26 keys in top-3 points on 18 x 12 mm at {SPREAD_MM:g} mm, {PEOPLE} invented people as a "
            f"plan invents them, {2 * WORDS:,} words together, intervals over people. Figures of one column are paired: "
            "the same people, words and random numbers.",
        ],
    )


if __name__ == "__main__":
    main()
