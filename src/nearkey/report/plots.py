"""Pictures of a ranking: accuracy, differences, effort and speed, what collisions explain, and what it turns on:
the condition, the spread of touches, the decoder's belief."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    draw_estimate,
    new_figure,
    on_axes,
    shape_looks,
    text_for_plot,
    thin_axes,
)
from nearkey.report.wording import MEASURES, RankedMeasure, leading, shape_of
from nearkey.search import pareto_front
from nearkey.simulate import Estimate, NoiseCurve, NoiseCurves, RankResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_MOST = 12  # layouts shown under every condition


@on_axes
def plot_accuracy(result: RankResult, *, limit: int = 12) -> Figure:
    """Top-1, top-3 and top-5 accuracy of the first `limit` layouts of a `result` and the baseline.

    A dot and its 95 % interval (Wilson) for each layout, in per cent; the baseline's interval is
    shaded through. Raises NearkeyError without matplotlib.
    """
    names = leading(result, limit)
    base = None if result.baseline is None else result.row(result.baseline)
    shares = {name: measure for name, measure in MEASURES.items() if measure.share}
    figure = _dot_panels(
        result, names, shares, lambda name, field: getattr(result.row(name), field)
    )
    for axes, (field, measure) in zip(figure.axes, shares.items(), strict=True):
        axes.set_xlabel("% of words")
        if base is not None:
            value, low, high = (measure.scale * part for part in getattr(base, field))
            axes.axvspan(low, high, color=LIGHT, alpha=0.55, lw=0, zorder=0.5)
            axes.axvline(value, color=GREY, lw=0.8, zorder=1)
    return figure


@on_axes
def plot_differences(
    result: RankResult, *, limit: int = 12, measures: Sequence[str] = ("top1", "top3", "kspc")
) -> Figure:
    """Paired differences to the baseline of the first `limit` layouts of a `result`, with 95 % intervals.

    A panel for each of `measures`, fields of a row of the ranking.

    Every layout typed the same words with common random numbers, so these are narrower than the intervals
    of the values themselves. Shares differ in percentage points. Raises NearkeyError for a ranking without
    a baseline, and without matplotlib.
    """
    if result.baseline is None:
        raise NearkeyError(
            "the ranking has no baseline", field="baseline", fix="rank with a baseline"
        )
    names = [name for name in leading(result, limit) if name != result.baseline]
    if not names:
        raise NearkeyError(
            "nothing but the baseline was ranked", field="layouts", fix="rank two or more"
        )
    shown = {field: MEASURES[field] for field in measures}
    figure = _dot_panels(
        result, names, shown, lambda name, field: (result.row(name).to_baseline or {})[field]
    )
    for axes, measure in zip(figure.axes, shown.values(), strict=True):
        axes.axvline(0, color=GREY, lw=1.0, zorder=1)
        better = "left" if measure.fewer_is_better else "right"
        unit = "percentage points" if measure.share else "difference"
        axes.set_xlabel(f"{unit}\n({better} of 0 is better)")
    return figure


@on_axes
def plot_tradeoff(result: RankResult, *, limit: int = 12) -> Figure:
    """Keystrokes per character, and predicted speed, against accuracy, with the non-dominated set.

    Above all layouts of the `result`, each a mark by its shape; the line joins the Pareto front. Below, where there are
    more, the first `limit` and the baseline alone, with their places in the table. Raises NearkeyError
    without matplotlib.
    """
    accuracy = result.by if MEASURES[result.by].share else "top3"
    x = 100 * _values(result, accuracy)
    base = [i for i, row in enumerate(result.rows) if row.layout == result.baseline]
    near = [i for i, row in enumerate(result.rows) if row.layout in set(leading(result, limit))]
    views = [np.arange(len(x))] + ([np.array(near)] if len(near) < len(x) else [])
    figure = new_figure(7.6, 0.7 + 2.9 * len(views), gap_in=0.09)
    grid = figure.subplots(len(views), 2, squeeze=False)
    for column, field in enumerate(("kspc", "wpm")):
        y, measure = _values(result, field), MEASURES[field]
        front = pareto_front(np.column_stack([-x, y if measure.fewer_is_better else -y]))
        front = front[np.argsort(x[front], kind="stable")]
        for axes, view in zip(grid[:, column], views, strict=True):
            zoomed = view is not views[0]
            drawn = front[np.isin(front, view)]
            note = "\n(speed constants are unverified)" if field == "wpm" else ""
            axes.set_xlabel(f"{MEASURES[accuracy].name}, %{note}")
            axes.plot(x[drawn], y[drawn], color=GREY, lw=1.0, zorder=1.5, label="Pareto front")
            _scatter(axes, result, x, y, view)
            axes.set_title(f"{measure.name}{', the leaders' if zoomed else ''}")
            axes.grid(True)
            axes.margins(0.1)
            axes.locator_params(nbins=6, steps=[1, 2, 5, 10])
            if zoomed or len(views) == 1:
                labels = {int(i): str(result.rows[i].place) for i in view}
                place_labels(axes, x, y, labels, ringed=base)
    _legend(figure, grid[0, 0])
    return figure


@on_axes
def plot_collisions(result: RankResult) -> Figure:
    """How much of a layout's accuracy its letter assignment alone explains.

    A mark for each layout of the `result`. Across: the share of word tokens that perfect touches would put
    first (and among the first 3), exact, over the pack's word probabilities. Upwards: what noisy touches
    reached. The line is equality: the distance below it is what noise costs. Raises NearkeyError without
    matplotlib.
    """
    scored = [result.scored[row.layout] for row in result.rows]
    base = [i for i, row in enumerate(result.rows) if row.layout == result.baseline]
    figure = new_figure(7.6, 3.9)
    panels = figure.subplots(1, 2)
    for axes, k in zip(panels, (1, 3), strict=True):
        x = 100 * np.array([s.collisions.top[k] for s in scored])
        y = 100 * _values(result, f"top{k}")
        low, high = float(min(x.min(), y.min())), 100.0
        axes.plot([low, high], [low, high], color=GREY, lw=1.0, ls="--", zorder=1.5)
        axes.annotate(
            "noise costs nothing",
            (low, low),
            (6, 10),
            textcoords="offset points",
            fontsize=8,
            color=GREY,
            rotation=45,
            rotation_mode="anchor",
            transform_rotates_text=True,
        )
        _scatter(axes, result, x, y, np.arange(len(x)))
        axes.set_title("first place" if k == 1 else f"first {k} places")
        axes.set_xlabel("perfect touches, % of word tokens")
        axes.set_ylabel("noisy touches, % of words" if k == 1 else "")
        axes.grid(True)
        axes.margins(0.06)
        labels = {i: str(result.rows[i].place) for i in {0, *base}}
        place_labels(axes, x, y, labels, ringed=base)
    _legend(figure, panels[0])
    return figure


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
    kept = [row.layout for row in result.rows[:_MOST]] + list(result.winners.values())
    names = [name for name in dict.fromkeys(kept) if name != result.baseline]

    def lead(name: str, title: str) -> Estimate | None:
        if title == "matched":
            return result.row(name).over_baseline
        condition = result.condition(title)
        to_baseline = condition.row(name).to_baseline if name in condition.layouts else None
        return None if to_baseline is None else to_baseline[result.by]

    panels = {title: measure._replace(short=title) for title in result.winners}
    figure = _dot_panels(result, names, panels, lead, dark=result.winners)
    for axes in figure.axes:
        axes.axvline(0, color=INK, lw=0.8)
        axes.set_xlabel(measure.unit)
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


def _values(result: RankResult, field: str) -> NDArray[np.float64]:
    return np.array([getattr(row, field).value for row in result.rows])


def _dot_panels(
    result: RankResult,
    names: Sequence[str],
    measures: Mapping[str, RankedMeasure],
    estimate: Callable[[str, str], Estimate | None],
    *,
    dark: Mapping[str, str] | None = None,
) -> Figure:
    """A panel for each measure; in it a dot and interval a layout, the first on top, and the `dark` one of the panel,
    or the baseline, dark."""
    figure = new_figure(7.6, 0.9 + 0.235 * len(names))
    panels = figure.subplots(1, len(measures), sharey=True, squeeze=False)[0]
    for axes, (field, measure) in zip(panels, measures.items(), strict=True):
        noted = result.baseline if dark is None else dark[field]
        for row, name in enumerate(names):
            if (found := estimate(name, field)) is not None:
                value, low, high = (measure.scale * part for part in found)
                draw_estimate(axes, row, value, (low, high), dark=name == noted)
        axes.set_ylim(len(names) - 0.4, -0.6)
        axes.locator_params(axis="x", nbins=5, steps=[1, 2, 5, 10])
        thin_axes(axes)
        axes.set_title(measure.short)
    panels[0].set_yticks(
        range(len(names)),
        [
            f"{result.row(name).place}  {text_for_plot(name)}"
            f"{' (baseline)' if name == result.baseline else ''}"
            for name in names
        ],
    )
    return figure


def _scatter(
    axes: Axes,
    result: RankResult,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    view: NDArray[np.intp],
) -> None:
    """The rows of `view`, each marked by its shape, the baseline ringed."""
    shapes = np.array([shape_of(result.scored[row.layout].layout) for row in result.rows])
    base = np.array([row.layout == result.baseline for row in result.rows])
    for shape, look in shape_looks(sorted(set(shapes.tolist()))).items():
        mine = view[shapes[view] == shape]
        edge = 0 if look.face == look.colour else 1
        style = look.line(markersize=5, linestyle="none", markeredgewidth=edge)
        axes.plot(x[mine], y[mine], alpha=0.75, label=shape, **style)
    ringed = view[base[view]]
    if len(ringed):
        axes.plot(x[ringed], y[ringed], "o", ms=12, mfc="none", mec=INK, mew=1.3, label="baseline")


def _legend(figure: Figure, axes: Axes) -> None:
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(len(labels), 6))


# Where a label may stand relative to its point, in points of type, nearest first.
_PLACES = [
    (radius * np.cos(angle), radius * np.sin(angle))
    for radius in (11.0, 15.0, 21.0, 28.0)
    for angle in np.radians((45, 135, -45, -135, 90, -90, 0, 180))
]
_POINT, _RING = 2.0, 7.0  # radii of marks and of the ring round one, in points of type


def place_labels(
    axes: Axes,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    labels: Mapping[int, str],
    *,
    ringed: Collection[int] = (),
) -> None:
    """Write `labels` (position of the point: text) where they cover the fewest points and labels.

    All points of the plot (`x` and `y` in the units of `axes`) are given, not only those to be named; those
    with a ring are `ringed`. Limits must not change afterwards.
    """
    figure = axes.get_figure()
    if figure is None:
        raise ValueError("the axes belong to no figure")
    figure.draw_without_rendering()  # type: ignore[union-attr]
    axes.set_xlim(axes.get_xlim())
    axes.set_ylim(axes.get_ylim())
    per_point = figure.dpi / 72
    points = axes.transData.transform(np.column_stack([x, y])) / per_point
    frame = np.asarray(axes.bbox.extents) / per_point
    radii = np.full(len(points), _POINT)
    radii[list(ringed)] = _RING
    taken: list[NDArray[np.float64]] = []
    for index, label in labels.items():
        text = text_for_plot(label, 20)
        size = np.array([5.2 * len(text), 8.0])
        costs = [
            _cost(points[index] + place, size, points, radii, taken, frame) + 0.01 * number
            for number, place in enumerate(_PLACES)
        ]
        place = _PLACES[int(np.argmin(costs))]
        centre = points[index] + place
        taken.append(np.concatenate([centre - size / 2, centre + size / 2]))
        far = np.hypot(*place) > 12
        axes.annotate(
            text,
            (x[index], y[index]),
            place,
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=8,
            color=INK,
            zorder=5,
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.5} if far else None,
        )


def _cost(
    centre: NDArray[np.float64],
    size: NDArray[np.float64],
    points: NDArray[np.float64],
    radii: NDArray[np.float64],
    taken: list[NDArray[np.float64]],
    frame: NDArray[np.float64],
) -> float:
    """Points under a label, labels it would cover (dear), and whether it leaves the axes (dearer)."""
    low, high = centre - size / 2, centre + size / 2
    covered = (np.hypot(*(points - np.clip(points, low, high)).T) < radii).sum()
    overlap = sum(bool((low < box[2:]).all() and (high > box[:2]).all()) for box in taken)
    outside = bool((low < frame[:2]).any() or (high > frame[2:]).any())
    return float(covered) + 10.0 * overlap + 20.0 * outside
