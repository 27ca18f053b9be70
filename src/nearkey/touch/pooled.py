"""One offset and one spread for all keys, in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np

from nearkey.errors import TouchModelError
from nearkey.touch.base import IncrementalTouch, background_parameter
from nearkey.touch.key_geometry import AnyLayout, geometry_of
from nearkey.touch.labelling import label, label_all, pooled_statistics
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.sufficient_statistics import KeyStats
from nearkey.touch.touch_log import TouchLog


@dataclass(eq=False, kw_only=True)
class PooledTouch(IncrementalTouch):
    """The same offset and covariance about every key's centre.

    The least that can be learnt, and the baseline for richer models. Because offset and spread
    are kept in millimetres, touches on one layout serve any other of the same surface:
    `for_layout`, or `partial_fit` with logs of several layouts.

    Parameters
    ----------
    background : share of outliers, spread evenly over the surface.

    Attributes
    ----------
    offset_mm_ `(2,)`, covariance_mm_ `(2, 2)` in mm and mm², n_touches_; means_ `(n_keys, 2)`, covariances_
    `(n_keys, 2, 2)` in layout units.
    """

    kind: ClassVar[str] = "pooled"
    in_millimetres: ClassVar[bool] = True

    background: float = background_parameter()

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log.

        Raises TouchDataError for fewer than three labelled touches or none with spread.
        """
        self._check_params()
        self.stats_mm_ = pooled_statistics(label_all(log, layout, least=3))
        self.geometry_ = geometry_of(layout)
        self._finish()
        return self

    def _learn(self, log: TouchLog, layout: AnyLayout | None) -> Self:
        touches = label(log, self.geometry_ if layout is None else layout)
        self.stats_mm_ = self.stats_mm_ + pooled_statistics([touches])
        self._finish()
        return self

    def _stretch(self, factor: float) -> None:
        self.stats_mm_ = self.stats_mm_.stretched(factor)

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
