"""Pictures of touches in millimetres: where they land on the keys, how they spread, how people differ; and of touch
models compared on people they were not fitted on."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from textwrap import fill
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError
from nearkey.layout import Key, Layout
from nearkey.layout.drawing import fitted_label
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    draw_estimate,
    key_colour,
    new_figure,
    note_below,
    on_axes,
    text_for_plot,
    thin_axes,
)
from nearkey.report.wording import signed
from nearkey.touch import Ellipse, TouchLog, ellipses
from nearkey.touch.labelling import target_keys

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from nearkey.simulate import SamplingTouchModel
    from nearkey.touch.model_comparison import ComparisonRow, TouchComparison


Floats = NDArray[np.float64]

_DRAWS = 4000  # touches a key drawn to know the moments of a model that does not state them
_MOST_DOTS = 4000
_LETTERS_AN_INCH = 16  # of a note in 8 point type
_LEAST_BORDER, _MOST_BORDER = 0.05, 0.3  # shown around the surface, as shares of its longer side
MANY_KEYS = 12  # with more keys than this, ellipses are drawn thin and unfilled


def model_ellipses(model: SamplingTouchModel, *, coverage: float = 0.95) -> tuple[Ellipse, ...]:
    """Ellipses of any touch model, in the order of its keys and in layout units.

    model : any touch model that draws. coverage : share of the touches inside, between 0 and 1.

    A model without `means_` and `covariances_` is drawn from, and the moments of the draws taken.
    """
    stated: Any = model
    if not (hasattr(model, "means_") and hasattr(model, "covariances_")):
        n = len(model.key_ids)
        keys = np.repeat(np.arange(n), _DRAWS)
        points = np.asarray(model.sample(keys, np.random.default_rng(0))).reshape(n, _DRAWS, 2)
        stated = SimpleNamespace(key_ids=model.key_ids, means_=points.mean(axis=1))
        stated.covariances_ = np.stack([np.cov(key, rowvar=False) for key in points])
    return ellipses(stated, coverage=coverage)


def simulated_touches(
    layout: Layout, model: SamplingTouchModel, *, each: int = 40, seed: int = 0
) -> TouchLog:
    """`each` touches drawn from a `model` for every letter key of a layout, in layout units, targets being key ids.

    layout : its letter keys are aimed at. seed : of the draws.
    """
    column = {key: i for i, key in enumerate(model.key_ids)}
    ids = [key.id for key in layout.letter_keys]
    keys = np.repeat([column[key] for key in ids], each)
    points = model.sample(keys, np.random.default_rng(seed))
    return TouchLog.from_points(points, np.repeat(ids, each), participant="simulated")


@on_axes
def plot_layout(layout: Layout, *, title: str | None = None) -> Figure:
    """A layout in true proportions, axes in millimetres.

    layout : what is drawn. title : above it; the layout's name unless given. Raises NearkeyError without matplotlib.
    """
    figure, axes = _one_surface(layout, np.zeros((0, 2)), (), title=title)
    axes.set_xlabel("mm")
    return figure


@on_axes
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
    figure, axes = _one_surface(layout, points, shapes, title=title)
    n = len(points)
    some = np.linspace(0, n - 1, _MOST_DOTS).astype(np.intp)
    shown = np.arange(n) if n <= _MOST_DOTS else some
    for index in np.unique(keys[shown]):
        mine = shown[keys[shown] == index]
        colour = GREY if index < 0 else key_colour(int(index))
        axes.plot(*points[mine].T, "o", color=colour, markersize=2.6, alpha=0.55, mew=0)
    draw_ellipses(axes, layout, shapes)
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    inside = (points >= [left, top]).all(axis=1) & (points <= [right, bottom]).all(axis=1)
    outside = int((~inside).sum())
    parts = [f"{len(points):,} touches"]
    if len(shown) < len(points):
        parts.append(f"{len(shown):,} of them drawn")
    if outside:
        parts.append(f"{outside:,} beyond the picture")
    if model is not None:
        parts.append(f"{100 * coverage:g} % ellipses")
    axes.set_xlabel(f"mm   ({', '.join(parts)})")
    return figure


@on_axes
def plot_ellipses(
    layout: Layout,
    model: SamplingTouchModel,
    *,
    coverage: float = 0.95,
    title: str | None = None,
) -> Figure:
    """A touch model on its layout: for each letter key an ellipse, and an arrow from centre to mean.

    An ellipse holds the share `coverage` of a key's touches; `title` stands above, the layout's name by default.
    Axes are in millimetres. Raises NearkeyError without matplotlib.
    """
    shapes = model_ellipses(model, coverage=coverage)
    figure, axes = _one_surface(layout, np.zeros((0, 2)), shapes, title=title, label_height=0.2)
    draw_ellipses(axes, layout, shapes, fill=True)
    for shape in _of_letters(layout, shapes):
        centre = layout.centers[layout.key_index(shape.key_id)]
        ends = layout.unit_mm * np.array([centre, (shape.x, shape.y)])
        draw_arrow(axes, *ends)
    axes.set_xlabel(f"mm   ({100 * coverage:g} % ellipses, arrows from key centre to mean)")
    return figure


@on_axes
def plot_keys(
    layout: Layout,
    model: SamplingTouchModel,
    *,
    coverage: float = 0.95,
    columns: int = 7,
    title: str | None = None,
) -> Figure:
    """A small picture a letter key: the key, and the ellipse of its touches alone; for layouts of many keys.

    An ellipse holds the share `coverage` of the touches; `columns` pictures stand in a row; `title` stands above, the
    layout's name by default. Axes are in millimetres. Raises NearkeyError without matplotlib.
    """
    shapes = model_ellipses(model, coverage=coverage)
    keys = layout.letter_keys
    by_key = {shape.key_id: shape for shape in _of_letters(layout, shapes)}
    border = Border.around(layout, np.zeros((0, 2)), shapes)
    columns = min(columns, len(keys))
    rows = ceil(len(keys) / columns)
    size = 6.4 / columns
    figure = new_figure(6.6, rows * (size * border.aspect(layout) + 0.22) + 0.7)
    grid = figure.subplots(rows, columns, squeeze=False)
    for axes in grid.flat:
        axes.set_axis_off()
    for axes, key in zip(grid.flat, keys, strict=False):
        draw_surface(axes, layout, border)
        _draw_key(axes, key, layout.unit_mm, fc=INK, ec="none", zorder=1.5)
        draw_ellipses(axes, layout, [by_key[key.id]])
        axes.set_title(text_for_plot(key.label, 6), fontsize=8, loc="center")
    figure.suptitle(
        text_for_plot(layout.name if title is None else title, 60),
        fontsize=10,
        x=0.01,
        ha="left",
    )
    note_below(
        figure,
        f"each key and the ellipse that holds {100 * coverage:g} % of its touches; the frame is the surface, "
        f"{layout.width_mm:g} x {layout.height_mm:g} mm",
    )
    return figure


@on_axes
def plot_people(
    log: TouchLog, layout: Layout, *, columns: int = 4, limit: int = 12, min_touches: int = 8
) -> Figure:
    """A small picture a person: touches, how they miss on the whole, and how on each key.

    Parameters
    ----------
    log : with targets; touches without one are left out. layout : the keys they were meant for.
    columns, limit : pictures in a row, and in all: the people with the most touches.
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
    names, counts = np.unique(log.participant[labelled], return_counts=True)
    chosen = set(names[np.argsort(-counts, kind="stable")[:limit]].tolist())
    people = [name for name in log.participants if name in chosen]
    columns = min(columns, len(people))
    rows = ceil(len(people) / columns)
    border = Border.around(layout, points[labelled])
    size = 1.85
    figure = new_figure(
        max((size + 0.2) * columns + 0.4, 4.2),
        rows * (size * border.aspect(layout) + 0.52) + 0.55,
    )
    grid = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    for axes, name in zip(grid.flat, people, strict=False):
        mine = labelled & (log.participant == name)
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
    note_below(figure, note)
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
        f"offset {signed(offset[0])}, {signed(offset[1])}   SD {sx:.1f}, {sy:.1f}",
        fontsize=8,
        fontweight="normal",
    )
    axes.tick_params(labelsize=7)


class Border(NamedTuple):
    """Millimetres shown to the left and right of a surface, and above and below it."""

    across: float
    down: float

    @classmethod
    def around(cls, layout: Layout, points: Floats, shapes: Sequence[Ellipse] = ()) -> Border:
        """Room for all ellipses and nearly all touches (points in mm), within bounds."""
        size = np.array([layout.width_mm, layout.height_mm])
        reach = np.zeros(2)
        if len(points):
            beyond = np.maximum(-points, points - size)
            reach = np.maximum(reach, np.quantile(beyond, 0.99, axis=0))
        for shape in _of_letters(layout, shapes):
            c, s = np.cos(shape.angle_rad), np.sin(shape.angle_rad)
            half = layout.unit_mm * np.hypot(
                [shape.semi_major * c, shape.semi_major * s],
                [shape.semi_minor * s, shape.semi_minor * c],
            )
            middle = layout.unit_mm * np.array([shape.x, shape.y])
            reach = np.maximum(reach, np.maximum(half - middle, middle + half - size))
        longest = float(size.max())
        room = np.clip(1.05 * reach, _LEAST_BORDER * longest, _MOST_BORDER * longest)
        return cls(float(room[0]), float(room[1]))

    def aspect(self, layout: Layout) -> float:
        """Height over width of the surface with this border."""
        return (layout.height_mm + 2 * self.down) / (layout.width_mm + 2 * self.across)


def _of_letters(layout: Layout, shapes: Sequence[Ellipse]) -> list[Ellipse]:
    """The ellipses of letter keys."""
    letters = {key.id for key in layout.letter_keys}
    return [shape for shape in shapes if shape.key_id in letters]


def _one_surface(
    layout: Layout,
    points: Floats,
    shapes: Sequence[Ellipse],
    *,
    title: str | None,
    label_height: float = 0.5,
) -> tuple[Figure, Axes]:
    """A figure with the surface drawn on it, and a border around it with room for points (in mm) and ellipses."""
    border = Border.around(layout, points, shapes)
    aspect = border.aspect(layout)
    width = min(6.4, 5.6 / aspect)
    figure = new_figure(width, width * aspect + 0.62)
    axes = figure.subplots()
    room_pt = 72 * (width - 0.5) / (1 + 2 * border.across / layout.width_mm)
    draw_surface(axes, layout, border, label_width_pt=room_pt, label_height=label_height)
    axes.set_title(text_for_plot(layout.name if title is None else title, 60))
    return figure, axes


def draw_surface(
    axes: Axes,
    layout: Layout,
    border: Border,
    *,
    label_width_pt: float = 0.0,
    label_height: float = 0.5,
) -> None:
    """Keys in millimetres, y downwards, true proportions.

    label_width_pt : width of the surface in points of type, by which labels are sized; 0 for none.
    label_height : where labels stand in their keys, 0 at the top and 1 at the bottom.
    """
    from matplotlib.patches import Rectangle

    width, height = layout.width_mm, layout.height_mm
    axes.add_patch(Rectangle((0, 0), width, height, fc="#f3f4f6", ec=GREY, lw=0.8, zorder=0))
    for key in layout.keys:
        face = "white" if key.role == "letters" else "#e3e6ea"
        _draw_key(axes, key, layout.unit_mm, fc=face, ec="#aab0b8", lw=0.7, zorder=0.5)
        if label_width_pt and key.label:
            _label(axes, key, layout, label_width_pt, label_height)
    axes.set_xlim(-border.across, width + border.across)
    axes.set_ylim(height + border.down, -border.down)
    axes.set_aspect("equal")
    axes.locator_params(nbins=6, steps=[1, 2, 5, 10])
    axes.spines[["left", "bottom"]].set_color(LIGHT)


def _draw_key(axes: Axes, key: Key, mm: float, **look: Any) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle((key.x * mm, key.y * mm), key.w * mm, key.h * mm, **look))


def _label(axes: Axes, key: Key, layout: Layout, width_pt: float, height: float) -> None:
    """A key's label on as many even lines as let it stand largest in the key."""
    from matplotlib.patheffects import withStroke

    scale = width_pt / layout.width
    lines, size = fitted_label(key.label, key.w * scale, key.h * scale, largest=13.0)
    text = "\n".join(text_for_plot(line) for line in lines)
    x, y = key.cx * layout.unit_mm, (key.y + height * key.h) * layout.unit_mm
    letters = axes.text(x, y, text, ha="center", va="center", fontsize=size, color=INK, zorder=3.5)
    letters.set_path_effects([withStroke(linewidth=2.0, foreground="white", alpha=0.8)])


def draw_ellipses(
    axes: Axes, layout: Layout, shapes: Sequence[Ellipse], *, fill: bool = False
) -> None:
    """Ellipses of the letter keys; filled faintly on request, where the keys are few."""
    from matplotlib.patches import Ellipse as Patch

    mm = layout.unit_mm
    few = len(layout.letter_keys) <= MANY_KEYS
    for shape in _of_letters(layout, shapes):
        colour = key_colour(layout.key_index(shape.key_id))
        for face in (True, False) if fill and few else (False,):
            axes.add_patch(
                Patch(
                    (shape.x * mm, shape.y * mm),
                    2 * shape.semi_major * mm,
                    2 * shape.semi_minor * mm,
                    angle=np.degrees(shape.angle_rad),
                    fill=face,
                    fc=colour,
                    ec="none" if face else colour,
                    alpha=0.08 if face else 1.0,
                    lw=1.3 if few else 0.8,
                    zorder=2.5,
                )
            )


def draw_arrow(axes: Axes, start: Any, end: Any, *, broad: bool = False) -> None:
    """An arrow between two points in mm; the broad one in the accent colour."""
    from matplotlib.patheffects import withStroke

    size, width, colour, order = (0.15, 1.7, ACCENT, 5) if broad else (0.13, 0.8, INK, 4)
    style = f"-|>,head_width={size},head_length={1.6 * size}"
    arrow = {"arrowstyle": style, "color": colour, "lw": width, "shrinkA": 0, "shrinkB": 0}
    drawn = axes.annotate("", tuple(end), tuple(start), arrowprops=arrow, zorder=order)
    if broad:
        axes.plot(*start, "o", color=ACCENT, markersize=3, zorder=5)
    if broad and drawn.arrow_patch is not None:
        drawn.arrow_patch.set_path_effects([withStroke(linewidth=3.6, foreground="white")])


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
    marks = [" (baseline)" if one else "" for one in base]
    names = [text_for_plot(r.model) + mark for r, mark in zip(rows, marks, strict=True)]
    axes[0].set_yticks(range(len(rows)), names)
    axes[0].set_ylim(len(rows) - 0.4, -0.6)
    few = "too few people for intervals"
    lines = "lines: 95 % intervals" if comparison.enough_people else few
    note_below(figure, f"{comparison.scheme}. Dots: means over what was held out; {lines}.")
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
