"""Pictures of a ranking: accuracy, differences, effort and speed, and what collisions explain."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError
from nearkey.report.labels import place_labels
from nearkey.report.shapes import leading, shape_of
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    new_figure,
    shape_looks,
    styled,
    text_for_plot,
    thin_axes,
)
from nearkey.search import pareto_front
from nearkey.simulate import Estimate, RankResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "MEASURE_NAMES",
    "plot_accuracy",
    "plot_collisions",
    "plot_differences",
    "plot_tradeoff",
]

MEASURE_NAMES = {
    "top1": "top-1 accuracy",
    "top3": "top-3 accuracy",
    "top5": "top-5 accuracy",
    "kspc": "keystrokes per character",
    "wpm": "predicted words per minute",
}
"""What each measure of a ranking is called."""

_SHARES = ("top1", "top3", "top5")


def plot_accuracy(result: RankResult, *, most: int = 12) -> Figure:
    """Top-1, top-3 and top-5 accuracy of the first `most` layouts and the baseline.

    A dot and its 95 % interval (Wilson) for each layout, in per cent; the baseline's interval is
    shaded through. Raises NearkeyError without matplotlib.
    """
    names = leading(result, most)
    with styled():
        figure = new_figure(7.6, 0.9 + 0.235 * len(names))
        panels = figure.subplots(1, 3, sharey=True)
        for axes, measure in zip(panels, _SHARES, strict=True):
            estimates = [_percent(getattr(result.row(name), measure)) for name in names]
            base = result.baseline
            reference = None if base is None else _percent(getattr(result.row(base), measure))
            _dots(axes, estimates, _colours(result, names), band=reference)
            axes.set_title(MEASURE_NAMES[measure].replace(" accuracy", ""))
            axes.set_xlabel("% of words")
        _name_rows(panels[0], result, names)
    return figure


def plot_differences(
    result: RankResult, *, most: int = 12, measures: Sequence[str] = ("top1", "top3", "kspc")
) -> Figure:
    """Paired differences to the baseline of the first `most` layouts, with 95 % intervals.

    Every layout typed the same words with the same luck, so these are narrower than the intervals of
    the values themselves. Shares differ in percentage points. Raises NearkeyError for a ranking without
    a baseline, and without matplotlib.
    """
    if result.baseline is None:
        raise NearkeyError(
            "the ranking has no baseline", field="baseline", fix="rank with a baseline"
        )
    names = [name for name in leading(result, most) if name != result.baseline]
    if not names:
        raise NearkeyError(
            "nothing but the baseline was ranked", field="layouts", fix="rank two or more"
        )
    with styled():
        figure = new_figure(7.6, 0.9 + 0.235 * len(names))
        panels = figure.subplots(1, len(measures), sharey=True, squeeze=False)[0]
        for axes, measure in zip(panels, measures, strict=True):
            rows = [result.row(name).to_baseline or {} for name in names]
            estimates = [row[measure] for row in rows]
            share = measure in _SHARES
            _dots(axes, [_percent(e) if share else e for e in estimates], _colours(result, names))
            axes.axvline(0, color=GREY, lw=1.0, zorder=1)
            better = "left" if measure == "kspc" else "right"
            axes.set_title(_short(measure))
            axes.set_xlabel(
                f"{'percentage points' if share else 'difference'}\n({better} of 0 is better)"
            )
        _name_rows(panels[0], result, names)
    return figure


def plot_tradeoff(result: RankResult, *, most: int = 12) -> Figure:
    """Keystrokes per character, and predicted speed, against accuracy, with what no layout beats.

    Above all layouts, each a mark by its shape; the line joins the Pareto front. Below, where there are
    more, the first `most` and the baseline alone, with their places in the table. Raises NearkeyError
    without matplotlib.
    """
    accuracy = result.by if result.by in _SHARES else "top3"
    x = 100 * _values(result, accuracy)
    base = [i for i, row in enumerate(result.rows) if row.layout == result.baseline]
    near = [i for i, row in enumerate(result.rows) if row.layout in set(leading(result, most))]
    views = [np.arange(len(x))] + ([np.array(near)] if len(near) < len(x) else [])
    with styled():
        figure = new_figure(7.6, 0.7 + 2.9 * len(views), gap_in=0.09)
        grid = figure.subplots(len(views), 2, squeeze=False)
        for column, (measure, sign) in enumerate((("kspc", 1.0), ("wpm", -1.0))):
            y = _values(result, measure)
            front = pareto_front(np.column_stack([-x, sign * y]))
            front = front[np.argsort(x[front], kind="stable")]
            for axes, view in zip(grid[:, column], views, strict=True):
                zoomed = view is not views[0]
                drawn = front[np.isin(front, view)]
                note = "\n(speed constants are unverified)" if measure == "wpm" else ""
                axes.set_xlabel(f"{MEASURE_NAMES[accuracy]}, %{note}")
                axes.plot(x[drawn], y[drawn], color=GREY, lw=1.0, zorder=1.5, label="Pareto front")
                _scatter(axes, result, x, y, view)
                axes.set_title(f"{MEASURE_NAMES[measure]}{', the leaders' if zoomed else ''}")
                axes.grid(True)
                axes.margins(0.1)
                axes.locator_params(nbins=6, steps=[1, 2, 5, 10])
                if zoomed or len(views) == 1:
                    labels = {int(i): str(result.rows[i].place) for i in view}
                    place_labels(axes, x, y, labels, ringed=base)
        _legend(figure, grid[0, 0])
    return figure


def plot_collisions(result: RankResult) -> Figure:
    """How much of a layout's accuracy its lettering alone explains.

    Across: the share of word tokens that perfect touches would put first (and among the first 3), exact,
    over the pack's word probabilities. Upwards: what noisy touches reached. The line is equality: the
    distance below it is what noise costs. Raises NearkeyError without matplotlib.
    """
    scored = [result.scored[row.layout] for row in result.rows]
    base = [i for i, row in enumerate(result.rows) if row.layout == result.baseline]
    with styled():
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


def _percent(estimate: Estimate) -> Estimate:
    return Estimate(*(100 * v for v in estimate))


def _short(measure: str) -> str:
    return {"kspc": "KSPC", "wpm": "WPM"}.get(measure, measure.replace("top", "top-"))


def _values(result: RankResult, measure: str) -> NDArray[np.float64]:
    return np.array([getattr(row, measure).value for row in result.rows])


def _colours(result: RankResult, names: Sequence[str]) -> list[str]:
    return [INK if name == result.baseline else ACCENT for name in names]


def _dots(
    axes: Axes,
    estimates: Sequence[Estimate],
    colours: Sequence[str],
    *,
    band: Estimate | None = None,
) -> None:
    """One dot and interval a row, the first on top."""
    if band is not None:
        axes.axvspan(band.low, band.high, color=LIGHT, alpha=0.55, lw=0, zorder=0.5)
        axes.axvline(band.value, color=GREY, lw=0.8, zorder=1)
    for row, (estimate, colour) in enumerate(zip(estimates, colours, strict=True)):
        axes.plot([estimate.low, estimate.high], [row, row], color=colour, lw=1.6, zorder=2)
        axes.plot(estimate.value, row, "o", color=colour, markersize=4.2, zorder=3)
    axes.set_ylim(len(estimates) - 0.4, -0.6)
    axes.locator_params(axis="x", nbins=5, steps=[1, 2, 5, 10])
    thin_axes(axes)


def _name_rows(axes: Axes, result: RankResult, names: Sequence[str]) -> None:
    axes.set_yticks(range(len(names)))
    axes.set_yticklabels(
        [
            f"{result.row(name).place}  {text_for_plot(name)}"
            f"{' (baseline)' if name == result.baseline else ''}"
            for name in names
        ]
    )


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
        axes.plot(
            x[mine],
            y[mine],
            look.mark,
            color=look.colour,
            mfc=look.face,
            ms=5,
            alpha=0.75,
            mew=0 if look.face == look.colour else 1,
            label=shape,
        )
    ringed = view[base[view]]
    if len(ringed):
        axes.plot(x[ringed], y[ringed], "o", ms=12, mfc="none", mec=INK, mew=1.3, label="baseline")


def _legend(figure: Figure, axes: Axes) -> None:
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(len(labels), 6))
