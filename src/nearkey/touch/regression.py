"""Offset and spread as functions of where the key is and where the finger came from."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.base import OneGaussianTouch, check_background
from nearkey.touch.components import as_points
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import Labelled, label_all, previous_points
from nearkey.touch.regression_fit import OffsetRegression, fit_offset_regression
from nearkey.touch.sufficient_statistics import KeyStats, check_spread
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["RegressionTouch"]

Floats = NDArray[np.float64]


class RegressionTouch(OneGaussianTouch):
    """Gaussians whose offset and spread follow the key's place, its size and the movement to it.

    Offset in mm, per axis: a polynomial of degree `degree` (0 to 2) in the key centre's place
    on the surface (-1 to 1 across and down), plus, with `previous`, a linear effect of the
    movement from the previous touch. Log variance in mm², per axis: linear in the place, in the log
    of the key's side (when the logs hold several sizes), and in the movement's length. Fitted by
    alternating weighted ridge least squares and Fisher scoring of the variances (a
    heteroscedastic regression; common practice). Every key of any layout so gets a
    distribution, touched or not: `for_layout`.

    Parameters
    ----------
    degree : 0, 1 or 2.
    previous : also learn the effect of the previous touch. `log_prob(points)` then averages over
        the movements seen; `log_prob(points, previous=...)` knows them.
    ridge : pseudo-touches that hold every slope at 0.
    background : share of wild touches, spread evenly over the surface.

    Attributes: n_touches_, means_, covariances_ (averaged over movements), correlation_.
    """

    kind = "regression"

    def __init__(
        self,
        *,
        degree: int = 2,
        previous: bool = True,
        ridge: float = 10.0,
        background: float = 0.01,
    ) -> None:
        self.degree = degree
        self.previous = previous
        self.ridge = ridge
        self.background = background

    def fit(
        self,
        log: TouchLog | Sequence[TouchLog],
        layout: Layout | Geometry | Sequence[Layout | Geometry],
    ) -> Self:
        """Learn from a log on a layout, or from several logs each on its own layout.

        The model's keys are those of the (first) layout. Raises TouchDataError for fewer than
        ten labelled touches or none with spread, TouchModelError for bad parameters.
        """
        check_background(self.background)
        if self.degree not in (0, 1, 2):
            raise TouchModelError(f"is {self.degree!r}", field="degree", fix="give 0, 1 or 2")
        if not (np.isfinite(self.ridge) and self.ridge > 0):
            raise TouchModelError(f"is {self.ridge!r}", field="ridge", fix="give a number above 0")
        parts = label_all(log, layout)
        offsets = np.vstack([p.offsets * p.geometry.unit_mm for p in parts])
        one = np.zeros(len(offsets), dtype=np.intp)
        check_spread(KeyStats.of(one, offsets, 1), 10, parts[0].log.where)
        place = np.vstack([_places(p.geometry)[p.key] for p in parts])
        side = np.vstack([p.geometry.sizes[p.key] * p.geometry.unit_mm for p in parts])
        move = np.vstack([_movements_to(p) for p in parts])
        self.geometry_ = parts[0].geometry
        self.n_touches_ = len(offsets)
        self.fit_ = fit_offset_regression(
            offsets,
            place=place,
            side_mm=side,
            move=move if self.previous else np.full_like(move, np.nan),
            degree=self.degree,
            ridge=self.ridge,
        )
        self._finish()
        return self

    @property
    def correlation_(self) -> float:
        """Correlation of x and y offsets about their regressions."""
        return self.fit_.correlation

    def for_layout(self, layout: Layout | Geometry) -> Self:
        """The model on any other layout, measured or not."""
        self._fitted()
        model = copy.copy(self)
        model.geometry_ = geometry_of(layout)
        model._finish()
        return model

    def log_prob(self, points: ArrayLike, *, previous: ArrayLike | None = None) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`.

        `previous (n, 2)` are the touches before these, NaN where there was none.
        """
        if previous is None or not self.previous:
            return super().log_prob(points)
        g = self._fitted()
        xy = as_points(points)
        before = np.asarray(previous, dtype=np.float64)
        if before.shape != xy.shape:
            raise TouchModelError(
                f"shape is {before.shape}", field="previous", fix="give one row per point"
            )
        move = (g.centers[None, :, :] - before[:, None, :]) / _diagonal(g)
        shape = (len(xy), g.n_keys)
        offset, variance = self.fit_.predict(
            np.broadcast_to(_places(g), (*shape, 2)),
            np.broadcast_to(g.sizes * g.unit_mm, (*shape, 2)),
            move,
        )
        d = ((xy[:, None, :] - g.centers) * g.unit_mm - offset) / np.sqrt(variance)
        r = self.fit_.correlation
        q = (d[..., 0] ** 2 - 2 * r * d[..., 0] * d[..., 1] + d[..., 1] ** 2) / (1 - r * r)
        out = (
            -0.5 * q
            - np.log(2 * np.pi)
            - 0.5 * np.log(variance).sum(axis=-1)
            - 0.5 * np.log(1 - r * r)
            + 2 * np.log(g.unit_mm)
        )
        # Where there was no touch before, the average over movements stands.
        alone = np.isnan(before).any(axis=1)
        result = np.empty(shape)
        b = self.background
        result[~alone] = out[~alone] + np.log1p(-b)
        if b > 0:
            result[~alone] = np.logaddexp(result[~alone], np.log(b / g.area))
        if alone.any():
            result[alone] = super().log_prob(xy[alone])
        return result

    def log_prob_of(self, touches: Labelled) -> Floats:
        """`log_prob` with the touches before, as the log has them."""
        return self.log_prob(touches.points, previous=previous_points(touches.log)[touches.rows])

    def _finish(self) -> None:
        g = self.geometry_
        offset, covariance = self.fit_.average(_places(g), g.sizes * g.unit_mm)
        self._set_gaussians(g.centers + offset / g.unit_mm, covariance / g.unit_mm**2)

    def _fitted_dict(self) -> dict[str, Any]:
        return {"n_touches": self.n_touches_, **self.fit_.to_dict()}

    def _restore(self, fitted: dict[str, Any]) -> None:
        self.n_touches_ = int(fitted["n_touches"])
        self.fit_ = OffsetRegression.from_dict(fitted)
        self._finish()


def _places(geometry: Geometry) -> Floats:
    """Key centres from -1 to 1 across and down the surface."""
    return np.asarray(geometry.centers / [geometry.width, geometry.height] * 2.0 - 1.0)


def _diagonal(geometry: Geometry) -> float:
    return float(np.hypot(geometry.width, geometry.height))


def _movements_to(touches: Labelled) -> Floats:
    """From the previous touch to the meant key, in surface diagonals; NaN for a first touch."""
    before = previous_points(touches.log)[touches.rows]
    g = touches.geometry
    return np.asarray((g.centers[touches.key] - before) / _diagonal(g))
