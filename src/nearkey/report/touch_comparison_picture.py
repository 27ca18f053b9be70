"""A picture of touch models compared on people they were not fitted on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    draw_estimate,
    new_figure,
    note_below,
    on_axes,
    text_for_plot,
    thin_axes,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from nearkey.touch.model_comparison import ComparisonRow, TouchComparison


class _Panel(NamedTuple):
    """A measure: what it is called, its value and half interval for each row, and where it should lie."""

    title: str
    unit: str
    values: list[float]
    halves: list[float]
    ideal: float | None = None
    bounds: tuple[float, float] = (-np.inf, np.inf)  # beyond them there are no values


@on_axes
def plot_touch_comparison(comparison: TouchComparison) -> Figure:
    """Held-out gain over the baseline, key hits, words right first where decoded, and ellipse hits.

    A row for each model of the `comparison`, the highest held-out likelihood first, the baseline dark. Dots are
    means over people, lines 95 % t intervals. A model so far from all others that it would squeeze them is
    written at the edge instead. Raises NearkeyError without matplotlib.
    """
    rows = sorted(comparison.rows, key=lambda r: -r.log_likelihood)
    base = [row.model == comparison.baseline for row in rows]
    panels = _panels(comparison, rows)
    figure = new_figure(2.4 + 1.95 * len(panels), 1.15 + 0.26 * len(rows), gap_in=0.06)
    axes = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
    for axis, panel in zip(axes, panels, strict=True):
        _draw(axis, panel, base)
    axes[0].set_yticks(
        range(len(rows)),
        [
            text_for_plot(r.model) + (" (baseline)" if b else "")
            for r, b in zip(rows, base, strict=True)
        ],
    )
    axes[0].set_ylim(len(rows) - 0.4, -0.6)
    note_below(
        figure,
        f"{comparison.scheme}. Dots: means over what was held out; "
        + (
            "lines: 95 % intervals."
            if comparison.enough_people
            else "too few people for intervals."
        ),
    )
    return figure


def _panels(comparison: TouchComparison, rows: Sequence[ComparisonRow]) -> list[_Panel]:
    known = 1.0 if comparison.enough_people else np.nan  # no interval is drawn for too few people

    def percent(title: str, value: str, ideal: float | None = None, note: str = "") -> _Panel:
        values = [100 * getattr(r, value) for r in rows]
        halves = [100 * known * getattr(r, f"{value}_half") for r in rows]
        return _Panel(title, f"%{note}", values, halves, ideal, (0.0, 100.0))

    panels = [
        _Panel(
            "likelihood",
            f"nats a touch above\n{text_for_plot(comparison.baseline)}",
            [r.gain for r in rows],
            [known * r.gain_half for r in rows],
        ),
        percent("likeliest key", "key_hit", note=" of touches on\nthe key meant"),
    ]
    if comparison.decoded:
        panels.append(percent("words", "top1", note=" right first"))
    panels.append(percent("95 % ellipse", "inside_95", 95.0, " of touches inside\n(dashed: 95)"))
    return panels


def _draw(axes: Axes, panel: _Panel, base: Sequence[bool]) -> None:
    thin_axes(axes)
    if panel.ideal is not None:
        axes.axvline(panel.ideal, color=GREY, lw=1.0, ls="--", zorder=1)
    low, high = _range(panel)
    for row, (value, half, dark) in enumerate(
        zip(panel.values, np.nan_to_num(panel.halves), base, strict=True)
    ):
        if low <= value <= high:
            ends = np.clip([value - half, value + half], *panel.bounds)
            draw_estimate(axes, row, value, (ends[0], ends[1]), dark=dark)
            continue
        left = value < low
        written = f"{value:.3g}".replace("-", "\N{MINUS SIGN}")
        axes.annotate(
            f"← {written}" if left else f"{written} →",
            (0.0 if left else 1.0, row),
            xycoords=("axes fraction", "data"),
            ha="left" if left else "right",
            va="center",
            fontsize=8,
            color=INK if dark else ACCENT,
        )
    axes.set_xlim(low, high)
    axes.set_title(panel.title)
    axes.set_xlabel(panel.unit)
    axes.locator_params(axis="x", nbins=4, steps=[1, 2, 5, 10])


def _range(panel: _Panel) -> tuple[float, float]:
    """What the axis shows: all rows but those further off than all others are wide."""
    values, halves = np.array(panel.values), np.nan_to_num(panel.halves)
    low, high = np.clip([values - halves, values + halves], *panel.bounds)
    shown = np.ones(len(values), dtype=bool)
    for row in range(len(values) if len(values) > 2 else 0):
        others = np.arange(len(values)) != row
        first, last = low[others].min(), high[others].max()
        width = last - first
        shown[row] = first - width <= values[row] <= last + width
    ends = [low[shown].min(), high[shown].max()]
    if panel.ideal is not None:
        ends = [min(ends[0], panel.ideal), max(ends[1], panel.ideal)]
    margin = 0.07 * (ends[1] - ends[0]) or 0.5
    return float(ends[0] - margin), float(ends[1] + margin)
