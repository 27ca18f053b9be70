"""Pictures of touches: where they land on the keys, how they spread, and how people differ."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from textwrap import fill
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError
from nearkey.layout import Layout
from nearkey.report.style import GREY, key_colour, new_figure, styled, text_for_plot
from nearkey.report.surface import (
    Border,
    draw_arrow,
    draw_ellipses,
    draw_surface,
    one_surface,
)
from nearkey.touch import Ellipse, TouchLog, ellipses
from nearkey.touch.labelling import target_keys

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from nearkey.simulate import SamplingTouchModel

__all__ = ["draw_touches", "model_ellipses", "plot_ellipses", "plot_people", "simulated_touches"]

Floats = NDArray[np.float64]

_DRAWS = 4000  # touches a key drawn to know the moments of a model that does not state them
_MOST_DOTS = 4000
_LETTERS_AN_INCH = 16  # of a note in 8 point type


@dataclass(frozen=True, slots=True)
class _Moments:
    key_ids: tuple[str, ...]
    means_: Floats
    covariances_: Floats


def model_ellipses(model: SamplingTouchModel, *, coverage: float = 0.95) -> tuple[Ellipse, ...]:
    """Ellipses of any touch model, in the order of its keys and in layout units.

    A model without `means_` and `covariances_` is drawn from, and the moments of the draws taken.
    """
    stated: Any = model
    if not (hasattr(model, "means_") and hasattr(model, "covariances_")):
        n = len(model.key_ids)
        keys = np.repeat(np.arange(n), _DRAWS)
        points = np.asarray(model.sample(keys, np.random.default_rng(0))).reshape(n, _DRAWS, 2)
        covariances = np.stack([np.cov(key, rowvar=False) for key in points])
        stated = _Moments(tuple(model.key_ids), points.mean(axis=1), covariances)
    return ellipses(stated, coverage=coverage)


def simulated_touches(
    layout: Layout, model: SamplingTouchModel, *, each: int = 40, seed: int = 0
) -> TouchLog:
    """`each` touches drawn for every letter key of a layout, in layout units, targets being key ids."""
    column = {key: i for i, key in enumerate(model.key_ids)}
    ids = [key.id for key in layout.letter_keys]
    keys = np.repeat([column[key] for key in ids], each)
    points = model.sample(keys, np.random.default_rng(seed))
    return TouchLog.from_points(points, np.repeat(ids, each), person="simulated")


def draw_touches(
    log: TouchLog,
    layout: Layout,
    model: SamplingTouchModel | None = None,
    *,
    coverage: float = 0.95,
    title: str | None = None,
) -> Figure:
    """A layout with the touches of a log, coloured by the key aimed at, and the model's ellipses.

    Parameters
    ----------
    log : targets are keys or letters of the layout; touches without a target are drawn grey.
    layout : the keys the touches were meant for.
    model : where given, the ellipse that holds `coverage` of the touches of each letter key is drawn.
    title : above the picture; the layout's name unless given.

    Axes are in millimetres. Past 4,000 touches an even share of them is drawn. Raises
    TouchDataError for targets the layout does not have, NearkeyError without matplotlib.
    """
    keys = target_keys(log, layout)
    points = log.in_units_of(layout).points * layout.unit_mm
    shapes = () if model is None else model_ellipses(model, coverage=coverage)
    with styled():
        figure, axes = one_surface(layout, Border.around(layout, points, shapes))
        shown = _thinned(len(points))
        for index in np.unique(keys[shown]):
            mine = shown[keys[shown] == index]
            colour = GREY if index < 0 else key_colour(int(index))
            axes.plot(*points[mine].T, "o", color=colour, markersize=2.6, alpha=0.55, mew=0)
        draw_ellipses(axes, layout, shapes)
        outside = _outside(axes, points)
        parts = [f"{len(points):,} touches"]
        if len(shown) < len(points):
            parts.append(f"{len(shown):,} of them drawn")
        if outside:
            parts.append(f"{outside:,} beyond the picture")
        if model is not None:
            parts.append(f"{100 * coverage:g} % ellipses")
        axes.set_title(text_for_plot(layout.name if title is None else title, 60))
        axes.set_xlabel(f"mm   ({', '.join(parts)})")
    return figure


def plot_ellipses(
    layout: Layout,
    model: SamplingTouchModel,
    *,
    coverage: float = 0.95,
    title: str | None = None,
) -> Figure:
    """A touch model on its layout: for each letter key an ellipse, and an arrow from centre to mean.

    Axes are in millimetres. Raises NearkeyError without matplotlib.
    """
    shapes = model_ellipses(model, coverage=coverage)
    with styled():
        figure, axes = one_surface(
            layout, Border.around(layout, np.zeros((0, 2)), shapes), label_height=0.2
        )
        draw_ellipses(axes, layout, shapes, fill=True)
        letters = {key.id: key for key in layout.letter_keys}
        for shape in shapes:
            if shape.key_id in letters:
                key = letters[shape.key_id]
                mm = layout.unit_mm
                draw_arrow(axes, (key.cx * mm, key.cy * mm), (shape.x * mm, shape.y * mm))
        axes.set_title(text_for_plot(layout.name if title is None else title, 60))
        axes.set_xlabel(f"mm   ({100 * coverage:g} % ellipses, arrows from key centre to mean)")
    return figure


def plot_people(
    log: TouchLog, layout: Layout, *, columns: int = 4, most: int = 12, min_touches: int = 8
) -> Figure:
    """A small picture a person: touches, how they miss on the whole, and how on each key.

    Parameters
    ----------
    log : with targets; touches without one are left out.
    columns, most : pictures in a row, and in all: the people with the most touches.
    min_touches : a key with fewer touches of a person gets no arrow of its own.

    The broad arrow, from the middle of the surface, is the person's mean offset; thin arrows lead from
    each key's centre to the mean touch on it. The heading of a picture gives the number of touches, the mean
    offset and the standard deviation about each key's own mean (right, down), in millimetres. Raises
    TouchDataError for unknown targets or none, NearkeyError without matplotlib.
    """
    keys = target_keys(log, layout)
    labelled = keys >= 0
    if not labelled.any():
        raise TouchDataError(
            "no touch has a target", where=log.where, field="target", fix="label some touches"
        )
    points = log.in_units_of(layout).points * layout.unit_mm
    names, counts = np.unique(log.person[labelled], return_counts=True)
    chosen = set(names[np.argsort(-counts, kind="stable")[:most]].tolist())
    people = [name for name in log.persons if name in chosen]
    columns = min(columns, len(people))
    rows = ceil(len(people) / columns)
    border = Border.around(layout, points[labelled])
    with styled():
        size = 1.85
        figure = new_figure(
            max((size + 0.2) * columns + 0.4, 4.2),
            rows * (size * border.aspect(layout) + 0.52) + 0.55,
        )
        grid = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
        for axes, name in zip(grid.flat, people, strict=False):
            mine = labelled & (log.person == name)
            draw_surface(axes, layout, border)
            _person(axes, layout, points[mine], keys[mine], name, min_touches)
        for axes in grid.flat[len(people) :]:
            axes.set_visible(False)
        for axes in grid.flat[max(len(people) - columns, 0) : len(people)]:
            axes.tick_params(labelbottom=True)  # also above a place left free
        note = fill(
            f"Broad arrow: mean offset. Thin arrows: mean offset on a key touched {min_touches} times "
            "or more. All in mm; offset and SD: right, down.",
            int(_LETTERS_AN_INCH * figure.get_figwidth()),
        )
        if len(people) < len(names):
            note += f"\n{len(people)} of {len(names)} people, those with the most touches."
        figure.supxlabel(note, fontsize=8, color=GREY, x=0.01, ha="left")
    return figure


def _person(
    axes: Axes,
    layout: Layout,
    points: Floats,
    keys: NDArray[np.intp],
    name: str,
    min_touches: int,
) -> None:
    centers = layout.centers * layout.unit_mm
    groups = [(centers[index], points[keys == index], index) for index in np.unique(keys)]
    for _, touches, index in groups:
        axes.plot(*touches.T, "o", color=key_colour(int(index)), markersize=1.8, alpha=0.4, mew=0)
    for centre, touches, _ in groups:
        if len(touches) >= min_touches:
            draw_arrow(axes, centre, touches.mean(axis=0))
    offset = (points - centers[keys]).mean(axis=0)
    middle = np.array([layout.width_mm, layout.height_mm]) / 2
    draw_arrow(axes, middle, middle + offset, broad=True)
    residuals = np.concatenate([touches - touches.mean(axis=0) for _, touches, _ in groups])
    freedom = max(len(points) - len(groups), 1)
    sx, sy = np.sqrt((residuals**2).sum(axis=0) / freedom)
    axes.set_title(
        f"{text_for_plot(name, 14)}  n = {len(points):,}\n"
        f"offset {_signed(offset[0])}, {_signed(offset[1])}   SD {sx:.1f}, {sy:.1f}",
        fontsize=8,
        fontweight="normal",
    )
    axes.tick_params(labelsize=7)


def _signed(value: float) -> str:
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def _thinned(n: int) -> NDArray[np.intp]:
    if n <= _MOST_DOTS:
        return np.arange(n)
    return np.linspace(0, n - 1, _MOST_DOTS).astype(np.intp)


def _outside(axes: Axes, points: Floats) -> int:
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    inside = (points >= [left, top]).all(axis=1) & (points <= [right, bottom]).all(axis=1)
    return int((~inside).sum())
