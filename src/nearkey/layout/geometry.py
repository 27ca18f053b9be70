"""Distances between points and rectangles, and between two arrangements of letters."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError

__all__ = ["mean_distance", "nearest_rectangle"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_CHUNK = 65_536  # points handled at once: bounds memory
_FARTHEST = 1e150  # its square is still finite


def nearest_rectangle(points: npt.ArrayLike, centers: FloatArray, sizes: FloatArray) -> IntArray:
    """The rectangle that holds each point or has the nearest edge; see `Layout.nearest_key`."""
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 2:
        raise LayoutError(
            f"points of shape {array.shape}", field="points", fix="give an array (n, 2)"
        )
    if not np.isfinite(array).all():
        raise LayoutError("not all finite", field="points", fix="drop or mend those touches")
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


def mean_distance(
    places: Mapping[str, FloatArray],
    others: Mapping[str, FloatArray],
    weights: Mapping[str, float] | None,
) -> float:
    """Mean Euclidean distance of the letters' places from where `others` has them."""
    moved = [float(np.hypot(*(place - others[letter]))) for letter, place in places.items()]
    shares = [1.0 if weights is None else float(weights.get(letter, 0.0)) for letter in places]
    if not (np.isfinite(shares).all() and min(shares) >= 0 and sum(shares) > 0):
        raise LayoutError(
            "negative, infinite or all 0", field="weights", fix="give the letters' frequencies"
        )
    return float(np.average(moved, weights=shares))
