"""A heavy-tailed multivariate t per key."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.base import ComponentTouch, check_background, fitted_arrays, key_indices
from nearkey.touch.components import Components, gaussian_components
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.sufficient_statistics import KeyStats, check_spread
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["StudentTouch"]

Floats = NDArray[np.float64]

_ROUNDS = 200
# Degrees of freedom that are tried; above the last a t is a Gaussian for every purpose here.
_DOFS = np.geomspace(1.0, 300.0, 121)


class StudentTouch(ComponentTouch):
    """A bivariate t per key, the degrees of freedom shared by all keys.

    Touches scatter more widely than a Gaussian says; a t keeps the middle narrow and the tails
    long. Fitted by the EM algorithm for the t (weights (dof + 2) / (dof + q); Liu & Rubin 1995,
    from memory) with the same shrinkage of keys as `GaussianTouch`, and the degrees of freedom by
    likelihood over a grid from 1 to 300.

    Parameters: dof ("auto" or a number above 0), shrinkage, background, min_touches as for
    `GaussianTouch`. Attributes: dof_, means_ `(n_keys, 2)`, scales_ `(n_keys, 2, 2)`,
    covariances_ (scales_ * dof / (dof - 2); scales_ itself for dof 2 or less, where a t has no
    covariance), n_touches_, fallback_keys_.
    """

    kind = "student"

    def __init__(
        self,
        *,
        dof: float | Literal["auto"] = "auto",
        shrinkage: float | Literal["auto"] = "auto",
        background: float = 0.01,
        min_touches: int = 3,
    ) -> None:
        self.dof = dof
        self.shrinkage = shrinkage
        self.background = background
        self.min_touches = min_touches

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> Self:
        """Learn from the labelled touches of a log.

        Raises TouchDataError for fewer than `min_touches` labelled touches or none with spread,
        TouchModelError for bad parameters.
        """
        check_background(self.background)
        if self.dof != "auto" and not (isinstance(self.dof, int | float) and self.dof > 0):
            raise TouchModelError(
                f"is {self.dof!r}", field="dof", fix='give "auto" or a number above 0'
            )
        g = geometry_of(layout)
        touches = label(log, g)
        key, offsets = touches.key, touches.offsets
        counts = KeyStats.of(key, offsets, g.n_keys)
        check_spread(counts, max(self.min_touches, 3), log.where)
        inner = GaussianTouch(shrinkage=self.shrinkage, min_touches=self.min_touches)
        dof = 10.0 if self.dof == "auto" else float(self.dof)
        weights = np.ones(len(key))
        before = -math.inf
        for _ in range(_ROUNDS):
            stats = KeyStats.of(key, offsets, g.n_keys, weights)
            # The scale is the weighted scatter over the plain count.
            stats = KeyStats(counts.n, stats.mean, stats.scatter)
            inner.fit_stats(stats, g, where=log.where)
            q = _squares(touches.points - inner.means_[key], inner.covariances_[key])
            half_log_det = 0.5 * np.log(np.linalg.det(inner.covariances_))[key]
            if self.dof == "auto":
                fit = [float(_log_t(q, half_log_det, d).mean()) for d in _DOFS]
                dof = float(_DOFS[int(np.argmax(fit))])
            now = float(_log_t(q, half_log_det, dof).mean())
            weights = (dof + 2.0) / (dof + q)
            if abs(now - before) < 1e-9:
                break
            before = now
        self.geometry_ = g
        self.dof_ = dof
        self.n_touches_ = counts.n
        self._finish(inner.means_, inner.covariances_)
        return self

    def components(self) -> Components:
        """The densities as one t per key, in key order, over the flat background."""
        geometry = self._fitted()
        return gaussian_components(
            np.arange(geometry.n_keys, dtype=np.int32),
            np.ones(geometry.n_keys),
            self.means_,
            self.scales_,
            background_weight=check_background(self.background),
            background_log_density=-math.log(geometry.area),
            dof=self.dof_,
        )

    def sample(self, keys: Sequence[int] | Sequence[str] | NDArray[Any], rng: Any) -> Floats:
        """Touches `(n, 2)` aimed at keys given by index or id.

        Exactly two standard normals per touch, in order, as in every model: their direction is
        kept and their length R stretched to the t's, sqrt(dof (exp(R² / dof) - 1)), the
        transformation that carries one distribution of lengths onto the other.
        """
        index = key_indices(keys, self._fitted())
        z = np.random.default_rng(rng).standard_normal((len(index), 2))
        square = (z**2).sum(axis=1)
        safe = np.where(square > 0, square, 1.0)
        z *= np.sqrt(self.dof_ * np.expm1(square / self.dof_) / safe)[:, None]
        factors = np.linalg.cholesky(self.scales_)
        return np.asarray(self.means_[index] + np.einsum("nij,nj->ni", factors[index], z))

    def inside(self, points: Floats, keys: NDArray[np.intp], coverage: float) -> NDArray[np.bool_]:
        """Which points lie in their key's ellipse of this coverage under the t.

        The squared distance that a share p of touches stays within is dof ((1 - p)^(-2/dof) - 1).
        """
        q = _squares(points - self.means_[keys], self.scales_[keys])
        limit = self.dof_ * math.expm1(-2.0 / self.dof_ * math.log1p(-coverage))
        return np.asarray(q <= limit)

    def _finish(self, means: Floats, scales: Floats) -> None:
        self.means_, self.scales_ = means, scales
        few = self.n_touches_ < self.min_touches
        self.fallback_keys_ = tuple(
            key for key, no in zip(self.geometry_.key_ids, few, strict=True) if no
        )
        self.covariances_ = scales * (self.dof_ / (self.dof_ - 2.0) if self.dof_ > 2 else 1.0)

    def _reorder(self, order: NDArray[np.intp]) -> None:
        self.n_touches_ = self.n_touches_[order]
        self._finish(self.means_[order], self.scales_[order])

    def _stretch(self, factor: float) -> None:
        centers = self.geometry_.centers
        self._finish(centers + (self.means_ - centers) * factor, self.scales_ * factor**2)

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "dof": self.dof_,
            "n_touches": self.n_touches_.tolist(),
            "means": self.means_.tolist(),
            "scales": self.scales_.tolist(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        n = self.geometry_.n_keys
        self.n_touches_, means, scales = fitted_arrays(
            fitted, n_touches=(n,), means=(n, 2), scales=(n, 2, 2)
        )
        self.dof_ = float(fitted["dof"])
        if not (self.dof_ > 0 and (np.linalg.eigvalsh(scales) > 0).all()):
            raise TouchModelError("are not positive", field="dof, scales", fix="save again")
        self._finish(means, scales)


def _squares(d: Floats, scale: Floats) -> Floats:
    """Squared Mahalanobis distances of differences `(..., 2)`."""
    a, b, c = scale[..., 0, 0], scale[..., 0, 1], scale[..., 1, 1]
    x, y = d[..., 0], d[..., 1]
    return np.asarray((c * x * x - 2 * b * x * y + a * y * y) / (a * c - b * b))


def _log_t(q: Floats, half_log_det: Floats, dof: float) -> Floats:
    """Log density of a bivariate t at squared distance q."""
    # Gamma(dof/2 + 1) / (Gamma(dof/2) dof pi) = 1 / (2 pi)
    return np.asarray(-math.log(2 * math.pi) - half_log_det - (dof / 2 + 1) * np.log1p(q / dof))
