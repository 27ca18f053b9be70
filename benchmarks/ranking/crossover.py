"""Where 2 x 3 grids overtake 26 keys: the lead against the spread of touches, on two pads, under three conditions.

python benchmarks/ranking/crossover.py
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sections import save, saved_picture, section

import nearkey as nk
from nearkey.report.style import new_figure, styled
from nearkey.simulate import (
    PLAUSIBLE_SD,
    PLAUSIBLE_TRAITS,
    DecoderModel,
    HandTraits,
    InventedPeople,
    RankResult,
    invent_hands,
)

PADS_MM = ((18.0, 12.0), (12.0, 8.0))
SPREADS_MM = (0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
PEOPLE, WORDS, CHOOSING = 8, 6000, 2000
CONDITIONS = ("matched", "leave one person out", "after calibration")


def hands(spread_mm: float, **changes: float) -> InventedPeople:
    """Eight invented people of this middle spread, as a plan's defaults make them, offsets and drift in proportion to it.

    changes : other traits of the middle hand.
    """
    drift_mm = PLAUSIBLE_TRAITS["drift_mm"] * spread_mm / 2.0
    traits = HandTraits(
        spread_mm=spread_mm, **{**PLAUSIBLE_TRAITS, "drift_mm": drift_mm, **changes}
    )
    return InventedPeople(
        invent_hands(
            traits,
            PEOPLE,
            offset_sd_mm=0.25 * spread_mm,
            spread_sd=0.12,
            traits_sd=PLAUSIBLE_SD,
        ),
        DecoderModel(n_touches=60),
    )


def lead(result: RankResult, grid: str, condition: str) -> list[float]:
    """The grid's lead over 26 keys in top-3 points, with its interval of this pair alone."""
    if condition == "matched":
        return [100 * x for x in result.lead(grid, "qwerty")]
    return [100 * x for x in result.condition(condition).lead(grid, "qwerty")]


def crossing(leads: list[list[float]], end: int = 0) -> float | None:
    """The spread at which the lead (or an end of its interval) first becomes positive, by straight lines."""
    values = [one[end] for one in leads]
    for i in range(len(values) - 1):
        if values[i] < 0 <= values[i + 1]:
            share = values[i] / (values[i] - values[i + 1])
            return SPREADS_MM[i] + share * (SPREADS_MM[i + 1] - SPREADS_MM[i])
    return None


def main() -> None:
    pack, base = nk.load_pack("en"), nk.Layout.named("qwerty")
    rows: list[list[object]] = []
    crossings: list[list[object]] = []
    found: dict[tuple[str, str], list[list[float]]] = {}
    for width, height in PADS_MM:
        pad, keys = f"{width:g} x {height:g} mm", base.fitted(width, height)
        grids = list(nk.grid_layouts(base, rows=2, columns=3, width_mm=width, height_mm=height))
        for spread_mm in SPREADS_MM:
            touch = partial(nk.GaussianTouch.from_layout, spread_mm=spread_mm)
            # The grid is chosen with other words and touches than it is measured with.
            best = nk.rank_layouts(grids, touch=touch, pack=pack, words=CHOOSING, seed=1).best
            result = nk.rank_layouts(
                [best],
                touch=touch,
                pack=pack,
                words=WORDS,
                seed=2,
                baseline=keys,
                people=hands(spread_mm),
                people_words=WORDS,
            )
            for condition in CONDITIONS:
                values = lead(result, best.name, condition)
                found.setdefault((pad, condition), []).append(values)
                accuracy = (
                    result.row("qwerty").top3.value
                    if condition == "matched"
                    else result.condition(condition).row("qwerty").values["top3"].value
                )
                rows.append([pad, condition, spread_mm, best.name, accuracy, values])
        for condition in CONDITIONS:
            leads = found[pad, condition]
            crossings.append([pad, condition, *(crossing(leads, end) for end in (0, 2, 1))])
    with styled():
        figure = new_figure(7.6, 3.2)
        panels = figure.subplots(1, len(PADS_MM), sharey=True)
        for axes, (width, height) in zip(panels, PADS_MM, strict=True):
            pad = f"{width:g} x {height:g} mm"
            for condition, colour in zip(
                CONDITIONS, ("#0072b2", "#c14f00", "#00805e"), strict=True
            ):
                value, low, high = np.array(found[pad, condition]).T
                axes.fill_between(SPREADS_MM, low, high, color=colour, alpha=0.12, lw=0)
                axes.plot(SPREADS_MM, value, "o-", color=colour, label=condition, markersize=3.5)
            axes.axhline(0, color="#22252b", lw=0.8)
            axes.set_title(pad)
            axes.set_xlabel("spread of touches, mm")
            axes.grid(True)
        panels[0].set_ylabel("lead of the best 2 x 3 grid, top-3 points")
        panels[0].legend()
    picture = saved_picture(
        figure,
        "ranking_crossover.png",
        "Lead of the best 2 x 3 grid over 26 keys against the spread of touches, three conditions, bands 95 %",
    )
    save(
        "ranking_crossover",
        section(
            "Where 2 x 3 grids overtake 26 keys",
            "pad; condition; spread, mm|1; grid; 26 keys, top-3|%; lead, points|1",
            rows,
            order=93,
            pictures=[picture],
            notes=[
                f"The best strict 2 x 3 grid of each spread, chosen on {CHOOSING:,} other words. {WORDS:,} words by frequency, no "
                f"context; {PEOPLE} invented people as a plan invents them (docs/ranking.md), offsets that differ by a quarter of "
                "the spread, drift in proportion to it; 60 calibration touches each. Intervals: over words where the decoder knows the hand, over people elsewhere. All hands "
                "are invented.",
            ],
        ),
        section(
            "The spread at which they overtake",
            "pad; condition; crossing, mm|2; from|2; to|2",
            crossings,
            order=94,
            notes=[
                "Straight lines between the spreads measured; from and to: where the upper and the lower end of the lead's "
                "95 % interval cross 0; empty where one does not cross between 0.7 and 4 mm.",
            ],
        ),
    )


if __name__ == "__main__":
    main()
