"""Points on a surface, and the rectangles they lie in or near."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError, NearkeyError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_CHUNK = 65_536  # points handled at once: bounds memory
_FARTHEST = 1e150  # its square is still finite


def finite_points(
    points: npt.ArrayLike, *, error: type[NearkeyError] = LayoutError, field: str = "points"
) -> FloatArray:
    """Points as float64 (n, 2), none of them NaN or infinite.

    Parameters
    ----------
    points : (n, 2), or nothing.
    error : class of the error that is raised for anything else.
    field : what the error calls them.
    """
    try:
        array = np.asarray(points, dtype=np.float64)
    except (TypeError, ValueError):
        raise error("are not numbers", field=field, fix="give one row (x, y) per touch") from None
    if array.size == 0 and array.ndim <= 2:
        return np.empty((0, 2))
    if array.ndim != 2 or array.shape[1] != 2:
        raise error(f"shape is {array.shape}", field=field, fix="give one row (x, y) per touch")
    bad = np.flatnonzero(~np.isfinite(array).all(axis=1))
    if len(bad):
        x, y = array[bad[0]]
        raise error(
            f"row {bad[0]} is ({x}, {y})", field=field, fix="drop touches that are not finite"
        )
    return array


def nearest_rectangle(points: npt.ArrayLike, centers: FloatArray, sizes: FloatArray) -> IntArray:
    """The rectangle that holds each point or has the nearest edge; see `Layout.nearest_key`."""
    array = finite_points(points)
    array = np.clip(array, -_FARTHEST, _FARTHEST)
    parts = [
        _nearest(array[i : i + _CHUNK], centers, sizes)
        for i in range(0, max(len(array), 1), _CHUNK)
    ]
    return np.concatenate(parts)


def _nearest(points: FloatArray, centers: FloatArray, sizes: FloatArray) -> IntArray:
    offset = np.abs(points[:, None, :] - centers)
    outside = np.maximum(offset - sizes / 2, 0.0)
    to_edge = np.square(outside).sum(axis=2)
    to_center = np.square(offset).sum(axis=2)
    tied = to_edge <= to_edge.min(axis=1, keepdims=True)
    nearest: IntArray = np.argmin(np.where(tied, to_center, np.inf), axis=1)
    return nearest
