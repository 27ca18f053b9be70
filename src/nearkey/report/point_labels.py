"""Writing short labels beside the points of a plot so that they do not cover each other."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nearkey.report.style import INK, text_for_plot

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
