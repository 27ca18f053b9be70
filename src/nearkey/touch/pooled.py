"""One offset and one spread for all keys, in millimetres."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.base import OneGaussianTouch, check_background, fitted_arrays
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.sufficient_statistics import KeyStats, check_spread
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["PooledTouch"]

Floats = NDArray[np.float64]


class PooledTouch(OneGaussianTouch):
    """The same offset and covariance about every key's centre.

    The least that can be learnt, and the baseline for richer models. Because offset and spread
    are kept in millimetres, touches on one layout serve any other of the same surface:
    `for_layout`, or `partial_fit` with logs of several layouts.

    Attributes: offset_mm_ `(2,)`, covariance_mm_ `(2, 2)`, n_touches_, means_, covariances_.
    """

    kind = "pooled"

    def __init__(self, *, background: float = 0.01) -> None:
        self.background = background

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> Self:
        """Learn from the labelled touches of a log; TouchDataError for fewer than three."""
        check_background(self.background)
        stats = self._stats_of(log, layout)
        check_spread(stats, 3, log.where)
        self.geometry_ = geometry_of(layout)
        self.stats_mm_ = stats
        self._finish()
        return self

    def partial_fit(self, log: TouchLog, layout: Layout | Geometry | None = None) -> Self:
        """Learn from more touches, on this layout or another; the columns stay those of `fit`."""
        if not hasattr(self, "geometry_"):
            if layout is None:
                raise TouchModelError(
                    "the first partial_fit needs the layout", field="layout", fix="pass it"
                )
            return self.fit(log, layout)
        where = self.geometry_ if layout is None else geometry_of(layout)
        self.stats_mm_ = self.stats_mm_ + self._stats_of(log, where)
        self._finish()
        return self

    def for_layout(self, layout: Layout | Geometry) -> Self:
        """The model on any other layout: same offset and spread in millimetres."""
        self._fitted()
        model = copy.copy(self)
        model.geometry_ = geometry_of(layout)
        model._finish()
        return model

    def _stretch(self, factor: float) -> None:
        self.stats_mm_ = self.stats_mm_.stretched(factor)
        self._finish()

    @staticmethod
    def _stats_of(log: TouchLog, layout: Layout | Geometry) -> KeyStats:
        geometry = geometry_of(layout)
        touches = label(log, geometry)
        one = np.zeros(len(touches.key), dtype=np.intp)
        return KeyStats.of(one, touches.offsets * geometry.unit_mm, 1)

    def _finish(self) -> None:
        g, stats = self.geometry_, self.stats_mm_
        self.n_touches_ = stats.total
        self.offset_mm_ = stats.mean[0]
        self.covariance_mm_ = stats.scatter[0] / (stats.total - 1)
        self._set_gaussians(
            g.centers + self.offset_mm_ / g.unit_mm,
            np.broadcast_to(self.covariance_mm_ / g.unit_mm**2, (g.n_keys, 2, 2)).copy(),
        )

    def _fitted_dict(self) -> dict[str, Any]:
        s = self.stats_mm_
        return {
            "n_touches": s.n.tolist(),
            "offset_mm": s.mean.tolist(),
            "scatter_mm2": s.scatter.tolist(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        self.stats_mm_ = KeyStats(
            *fitted_arrays(fitted, n_touches=(1,), offset_mm=(1, 2), scatter_mm2=(1, 2, 2))
        )
        if not self.stats_mm_.total > 1:
            raise TouchModelError("is below 2", field="n_touches", fix="save the model again")
        self._finish()
