"""Keys, ellipses and arrows in millimetres: what the pictures of touches are made of."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.layout import Key, Layout
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    key_colour,
    new_figure,
    text_for_plot,
)
from nearkey.touch import Ellipse

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Border", "draw_arrow", "draw_ellipses", "draw_surface", "one_surface"]

_LEAST_BORDER, _MOST_BORDER = 0.05, 0.3  # shown around the surface, as shares of its longer side
_MANY_KEYS = 12  # with more keys than this, ellipses are drawn thin and unfilled


class Border(NamedTuple):
    """Millimetres shown to the left and right of a surface, and above and below it."""

    across: float
    down: float

    @classmethod
    def around(
        cls, layout: Layout, points: NDArray[np.float64], shapes: Sequence[Ellipse] = ()
    ) -> Border:
        """Room for all ellipses and nearly all touches (points in mm), within bounds."""
        size = np.array([layout.width_mm, layout.height_mm])
        reach = np.zeros(2)
        if len(points):
            beyond = np.maximum(-points, points - size)
            reach = np.maximum(reach, np.quantile(beyond, 0.99, axis=0))
        letters = {key.id for key in layout.letter_keys}
        for shape in shapes:
            if shape.key_id in letters:
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


def one_surface(
    layout: Layout, border: Border, *, label_height: float = 0.5
) -> tuple[Figure, Axes]:
    """A figure with the surface drawn on it, and the border around it."""
    aspect = border.aspect(layout)
    width = min(6.4, 5.6 / aspect)
    figure = new_figure(width, width * aspect + 0.62)
    axes = figure.subplots()
    shown = 1 + 2 * border.across / layout.width_mm
    room_pt = 72 * (width - 0.5) / shown
    draw_surface(axes, layout, border, label_width_pt=room_pt, label_height=label_height)
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

    mm = layout.unit_mm
    width, height = layout.width_mm, layout.height_mm
    axes.add_patch(Rectangle((0, 0), width, height, fc="#f3f4f6", ec=GREY, lw=0.8, zorder=0))
    for key in layout.keys:
        letters = key.role == "letters"
        axes.add_patch(
            Rectangle(
                (key.x * mm, key.y * mm),
                key.w * mm,
                key.h * mm,
                fc="white" if letters else "#e3e6ea",
                ec="#aab0b8",
                lw=0.7,
                zorder=0.5,
            )
        )
        if label_width_pt and key.label:
            _label(axes, key, layout, label_width_pt, label_height)
    axes.set_xlim(-border.across, width + border.across)
    axes.set_ylim(height + border.down, -border.down)
    axes.set_aspect("equal")
    axes.locator_params(nbins=6, steps=[1, 2, 5, 10])
    axes.spines[["left", "bottom"]].set_color(LIGHT)


def _label(axes: Axes, key: Key, layout: Layout, width_pt: float, height: float) -> None:
    """A key's label on as many even lines as let it stand largest in the key."""
    from matplotlib.patheffects import withStroke

    scale = width_pt / layout.width
    w, h = key.w * scale, key.h * scale
    lines, size = [key.label], 0.0
    for count in range(1, min(len(key.label), 4) + 1):
        length = ceil(len(key.label) / count)
        fits = min(0.9 * w / (0.75 * length), 0.8 * h / (1.25 * count), 13.0)
        if fits > 1.05 * size:
            size = fits
            lines = [key.label[i : i + length] for i in range(0, len(key.label), length)]
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
    letters = {key.id for key in layout.letter_keys}
    few = len(letters) <= _MANY_KEYS
    for shape in shapes:
        if shape.key_id not in letters:
            continue
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

    size = 0.15 if broad else 0.13
    drawn = axes.annotate(
        "",
        xy=tuple(end),
        xytext=tuple(start),
        arrowprops={
            "arrowstyle": f"-|>,head_width={size},head_length={1.6 * size}",
            "color": ACCENT if broad else INK,
            "lw": 1.7 if broad else 0.8,
            "shrinkA": 0,
            "shrinkB": 0,
        },
        zorder=5 if broad else 4,
    )
    if broad:
        axes.plot(*start, "o", color=ACCENT, markersize=3, zorder=5)
    if broad and drawn.arrow_patch is not None:
        drawn.arrow_patch.set_path_effects([withStroke(linewidth=3.6, foreground="white")])
