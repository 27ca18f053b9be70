"""Do a model's ellipses hold the share of touches they claim?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.ellipses import chi_square_2
from nearkey.touch.labelling import label
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout
    from nearkey.touch.key_geometry import Geometry

__all__ = ["Coverage", "calibration", "inside_ellipses", "wilson_interval"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Coverage:
    """Of `n` touches the share `found` lay inside the ellipses meant for `claimed`; low and high
    bound its 95 % Wilson interval, which takes touches as independent."""

    claimed: float
    found: float
    low: float
    high: float
    n: int


def inside_ellipses(
    model: Any, points: Floats, keys: NDArray[np.intp], coverage: float
) -> NDArray[np.bool_]:
    """Which points `(n, 2)` lie inside their own key's ellipse `(n,)`.

    The ellipse is the model's own where it has one (`inside`), else that of its first two moments.
    """
    if hasattr(model, "inside"):
        return np.asarray(model.inside(points, keys, coverage))
    if not hasattr(model, "covariances_"):
        raise TouchModelError(
            f"{type(model).__name__} has no covariances", field="model", fix="use a Gaussian model"
        )
    d = points - model.means_[keys]
    solved = np.linalg.solve(model.covariances_[keys], d[:, :, None])[:, :, 0]
    return np.asarray((d * solved).sum(axis=1) <= chi_square_2(coverage))


def calibration(
    model: Any,
    log: TouchLog,
    layout: Layout | Geometry,
    *,
    coverages: Sequence[float] = (0.5, 0.8, 0.95, 0.99),
) -> tuple[Coverage, ...]:
    """How often labelled touches lie inside the ellipses of each coverage.

    Use touches the model was not fitted on. Raises TouchDataError as `label` does.
    """
    touches = label(log, layout)
    rows = []
    for claimed in coverages:
        n = len(touches.rows)
        hits = int(model.inside_of(touches, claimed).sum())
        low, high = wilson_interval(hits, n)
        rows.append(Coverage(claimed, hits / n, low, high, n))
    return tuple(rows)


def wilson_interval(hits: int, n: int, *, z: float = 1.959963984540054) -> tuple[float, float]:
    """Wilson's score interval of a share (95 % by default)."""
    p, z2 = hits / n, z * z
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = z / (1 + z2 / n) * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    return max(0.0, centre - half), min(1.0, centre + half)
