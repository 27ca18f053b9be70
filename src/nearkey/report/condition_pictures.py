"""Pictures of what a ranking turns on: the condition, the spread of touches, the decoder's belief."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from nearkey.errors import NearkeyError
from nearkey.report.pictures import ReportPicture, report_picture
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    draw_estimate,
    new_figure,
    on_axes,
    text_for_plot,
    thin_axes,
)
from nearkey.report.wording import MEASURES
from nearkey.simulate import NoiseCurve, NoiseCurves, RankResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST = 12


@on_axes
def plot_conditions(result: RankResult) -> Figure:
    """The lead over the baseline of the leading layouts under every condition of a `result`, with 95 % intervals.

    Raises NearkeyError for a ranking without a baseline or without people, and without matplotlib.
    """
    if result.baseline is None or not result.conditions:
        raise NearkeyError(
            "there is nothing to compare",
            field="conditions",
            fix="rank with a baseline and with people",
        )
    measure = MEASURES[result.by]
    names = [row.layout for row in result.rows[:_MOST] if row.layout != result.baseline]
    for condition in result.conditions:
        if condition.winner not in (*names, result.baseline):
            names.append(condition.winner)
    titles = ["matched", *(c.condition for c in result.conditions)]
    figure = new_figure(7.6, 0.9 + 0.24 * len(names))
    panels = figure.subplots(1, len(titles), sharey=True, squeeze=False)[0]
    for axes, title, i in zip(panels, titles, range(len(titles)), strict=True):
        for y, name in enumerate(names):
            found = result.row(name).over_baseline
            if i:
                condition = result.conditions[i - 1]
                at = condition.row(name).to_baseline if name in condition.layouts else None
                found = None if at is None else at[result.by]
            if found is None:
                continue
            value, low, high = (measure.scale * part for part in found)
            first = name == list(result.winners.values())[i]
            draw_estimate(axes, y, value, (low, high), dark=first)
        axes.axvline(0, color=INK, lw=0.8)
        axes.set_title(title)
        axes.set_xlabel(measure.unit)
        thin_axes(axes)
    panels[0].set_yticks(range(len(names)), [text_for_plot(name) for name in names])
    panels[0].invert_yaxis()
    return figure


@on_axes
def plot_noise_curves(curves: NoiseCurves) -> Figure:
    """The lead over the baseline against the spread of touches, and against the decoder's belief in it.

    curves : see `noise_curves`. Bands are 95 % intervals; the vertical band is that of the crossing. Raises
    NearkeyError without matplotlib.
    """
    measure = MEASURES[curves.by]
    figure = new_figure(7.6, 3.0)
    left, right = figure.subplots(1, 2, sharey=True)
    _curve(left, curves.spread, measure.scale)
    _curve(right, curves.belief, measure.scale)
    left.set_ylabel(f"lead over {text_for_plot(curves.baseline)}, {measure.unit}")
    left.set_xlabel(f"spread of touches (1 is {curves.spread_mm:.2f} mm)\nthe decoder knows it")
    right.set_xlabel("spread the decoder believes in (1 is right)\ntouches stay as they are")
    left.set_title("Against the spread")
    right.set_title("Against the decoder's belief")
    return figure


def _curve(axes: Axes, curve: NoiseCurve, scale: float) -> None:
    value, low, high = (
        [scale * getattr(lead, end) for lead in curve.leads] for end in ("value", "low", "high")
    )
    x = list(curve.factors)
    if curve.crossing is not None:
        ends = [min(max(end, x[0]), x[-1]) for end in curve.crossing[1:]]
        axes.axvspan(*ends, color=LIGHT, alpha=0.6, lw=0)
        if math.isfinite(curve.crossing.value):
            axes.axvline(curve.crossing.value, color=GREY, lw=0.8, ls="--")
    axes.fill_between(x, low, high, color=ACCENT, alpha=0.18, lw=0)
    axes.plot(x, value, "o-", color=ACCENT, markersize=4)
    axes.axhline(0, color=INK, lw=0.8)
    axes.grid(True)


def conditions_pictures(result: RankResult) -> Iterator[ReportPicture]:
    """The picture of the conditions of a `result`, where it has a baseline and people."""
    if result.baseline is None or not result.conditions or len(result.rows) < 2:
        return
    yield report_picture(
        plot_conditions(result),
        name="conditions.png",
        heading="The conditions side by side",
        alt=f"Dots with 95 % intervals: leads over {result.baseline} under "
        + ", ".join(result.winners)
        + "; winners: "
        + ", ".join(result.winners.values())
        + ".",
        caption="Leads over the baseline under each condition, with intervals that hold for all layouts together: "
        "over words where the decoder knows the hand (matched), over people elsewhere. Dark: the first of each.",
    )


def curve_pictures(curves: NoiseCurves | None) -> Iterator[ReportPicture]:
    """The picture of noise curves, where there are some."""
    if curves is not None:
        yield report_picture(
            plot_noise_curves(curves),
            name="noise.png",
            heading="What the lead owes to noise",
            alt=f"Two curves: the lead of {curves.layout} over {curves.baseline} against the spread of touches and "
            f"against the spread the decoder believes in. {curves}.",
            caption=f"The lead of {curves.layout} over {curves.baseline}, {curves.words:,} words a point, with common "
            f"random numbers; bands: 95 %; the vertical band: where the lead changes sign. {curves}.",
        )
