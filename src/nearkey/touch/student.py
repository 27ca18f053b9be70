"""A heavy-tailed multivariate t per key."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Self

import numpy as np

from nearkey.errors import TouchModelError
from nearkey.touch.base import TouchBase, background_parameter, parameter
from nearkey.touch.gaussian import GaussianTouch, min_touches_parameter, shrinkage_parameter
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Indices
from nearkey.touch.labelling import label
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.sufficient_statistics import KeyStats, mahalanobis_squares
from nearkey.touch.touch_log import TouchLog

_ROUNDS = 200
# Degrees of freedom that are tried; above the last a t is a Gaussian for every purpose here.
_DOFS = np.geomspace(1.0, 300.0, 121)


@dataclass(eq=False, kw_only=True)
class StudentTouch(TouchBase):
    """A bivariate t per key, the degrees of freedom shared by all keys.

    Touches scatter more widely than a Gaussian says; a t keeps the middle narrow and the tails
    long. Fitted by the EM algorithm for the t (weights (dof + 2) / (dof + q); Liu & Rubin 1995,
    from memory) with the same shrinkage of keys as `GaussianTouch`, and the degrees of freedom by
    likelihood over a grid from 1 to 300.

    Parameters
    ----------
    dof : degrees of freedom, "auto" or a number above 0.
    shrinkage, background, min_touches : as for `GaussianTouch`.

    Attributes
    ----------
    dof_; means_ `(n_keys, 2)`, scales_ `(n_keys, 2, 2)`, covariances_ (scales_ * dof / (dof - 2); scales_
    itself for dof 2 or less, where a t has no covariance), in layout units; n_touches_ `(n_keys,)`, fallback_keys_.
    """

    kind: ClassVar[str] = "student"

    dof: float | Literal["auto"] = parameter(
        "auto", 'give "auto" or a number above 0', lambda dof: dof > 0, auto=True
    )
    shrinkage: float | Literal["auto"] = shrinkage_parameter()
    background: float = background_parameter()
    min_touches: int = min_touches_parameter()

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log.

        Raises TouchDataError for fewer than `min_touches` labelled touches or none with spread,
        TouchModelError for bad parameters.
        """
        self._check_params()
        touches = label(log, layout)
        g, key = touches.geometry, touches.key
        counts = touches.statistics(max(self.min_touches, 3))
        inner = GaussianTouch(shrinkage=self.shrinkage, min_touches=self.min_touches)
        dof = 10.0 if self.dof == "auto" else float(self.dof)
        weights = np.ones(len(key))
        before = -math.inf
        for _ in range(_ROUNDS):
            stats = KeyStats.of(key, touches.offsets, g.n_keys, weights)
            # The scale is the weighted scatter over the plain count.
            stats = KeyStats(counts.n, stats.mean, stats.scatter)
            inner.fit_stats(stats, g, where=log.where)
            q = mahalanobis_squares(touches.points - inner.means_[key], inner.covariances_[key])
            half_log_det = 0.5 * np.log(np.linalg.det(inner.covariances_))[key]
            if self.dof == "auto":
                fit = [float(_log_t(q, half_log_det, d).mean()) for d in _DOFS]
                dof = float(_DOFS[int(np.argmax(fit))])
            now = float(_log_t(q, half_log_det, dof).mean())
            weights = (dof + 2.0) / (dof + q)
            if abs(now - before) < 1e-9:
                break
            before = now
        self.geometry_, self.dof_, self.n_touches_ = g, dof, counts.n
        self.means_, self.scales_ = inner.means_, inner.covariances_
        self._finish()
        return self

    def inside(self, points: Floats, keys: Indices, coverage: float) -> Flags:
        """Which points `(n, 2)` lie in the ellipse of this coverage of their key `(n,)`, under the t.

        The squared distance that a share p of touches stays within is dof ((1 - p)^(-2/dof) - 1).
        """
        q = mahalanobis_squares(points - self.means_[keys], self.scales_[keys])
        limit = self.dof_ * math.expm1(-2.0 / self.dof_ * math.log1p(-coverage))
        return np.asarray(q <= limit)

    def _mixtures(self) -> tuple[Floats, Floats, Floats]:
        return np.ones((len(self.means_), 1)), self.means_[:, None], self.scales_[:, None]

    def _finish(self) -> None:
        self.fallback_keys_ = self._ids_where(self.n_touches_ < self.min_touches)
        wider = self.dof_ / (self.dof_ - 2.0) if self.dof_ > 2 else 1.0
        self.covariances_ = self.scales_ * wider

    def _reorder(self, order: Indices) -> None:
        self.n_touches_ = self.n_touches_[order]
        self.means_, self.scales_ = self.means_[order], self.scales_[order]

    def _stretch(self, factor: float) -> None:
        centers = self.geometry_.centers
        self.means_ = centers + (self.means_ - centers) * factor
        self.scales_ = self.scales_ * factor**2

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "dof": self.dof_,
            "n_touches": self.n_touches_.tolist(),
            "means": self.means_.tolist(),
            "scales": self.scales_.tolist(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        n = self.geometry_.n_keys
        self.n_touches_, self.means_, self.scales_ = fitted_arrays(
            fitted, n_touches=(n,), means=(n, 2), scales=(n, 2, 2)
        )
        self.dof_ = float(fitted["dof"])
        if not (self.dof_ > 0 and (np.linalg.eigvalsh(self.scales_) > 0).all()):
            raise TouchModelError("are not positive", field="dof, scales", fix="save again")


def _log_t(q: Floats, half_log_det: Floats, dof: float) -> Floats:
    """Log density of a bivariate t at squared distance q."""
    # Gamma(dof/2 + 1) / (Gamma(dof/2) dof pi) = 1 / (2 pi)
    return np.asarray(-math.log(2 * math.pi) - half_log_det - (dof / 2 + 1) * np.log1p(q / dof))
