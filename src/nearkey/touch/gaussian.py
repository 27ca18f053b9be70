"""One Gaussian per key, shrunk towards what all keys share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.base import OneGaussianTouch, check_background
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.niw import NIW, fit_prior
from nearkey.touch.sufficient_statistics import KeyStats, check_spread, pooled_covariance
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["GaussianTouch"]

Floats = NDArray[np.float64]


class GaussianTouch(OneGaussianTouch):
    """A full-covariance Gaussian per key over a flat background.

    Parameters
    ----------
    shrinkage : "auto", or a share from 0 to 1.
        A share blends each key's sample covariance with the one pooled within keys:
        (1 - a) S_k + a S; means are the sample means. "auto" lets the touches say how alike keys
        are: a normal-inverse-Wishart prior over keys is fitted by marginal likelihood and each
        key gets its posterior mean and predictive covariance, so that a key with few touches
        stays near the pooled offset and spread and one with many goes its own way.
    background : share of wild touches, spread evenly over the surface. It bounds the damage
        one such touch can do to a word; 0 switches it off. The default, 1 in 100, gave the best
        held-out likelihood of 0.001, 0.003, 0.01, 0.03 on the open phone touches
        (benchmarks/touch).
    min_touches : a key with fewer touches falls back on its centre plus the pooled offset and
        covariance; `fallback_keys_` names these keys.

    Attributes
    ----------
    means_ `(n_keys, 2)`, covariances_ `(n_keys, 2, 2)`, n_touches_ `(n_keys,)` in the order of
    `key_ids`; pooled_offset_ `(2,)`, pooled_covariance_ `(2, 2)`; fallback_keys_ and
    floored_keys_ (ids; the latter have touches so alike that their spread was raised to 1 % of
    the smallest key side); n_unlabelled_ touches of the logs that had no target.

    Lengths in layout units. Rows of a log are counted as given: `clean` it first.
    """

    kind = "gaussian"

    def __init__(
        self,
        *,
        shrinkage: float | Literal["auto"] = "auto",
        background: float = 0.01,
        min_touches: int = 3,
    ) -> None:
        self.shrinkage = shrinkage
        self.background = background
        self.min_touches = min_touches

    @classmethod
    def from_layout(
        cls,
        layout: Layout | Geometry,
        *,
        spread_mm: float | None = None,
        spread: float | None = None,
        prior_touches: float = 10.0,
        background: float = 0.01,
    ) -> Self:
        """A model without data: Gaussians centred on the keys.

        Give `spread_mm`, a standard deviation in millimetres, or `spread`, a share of the key's
        width in x and of its height in y. `partial_fit` then treats this assumption as worth
        `prior_touches` touches per key. Raises TouchModelError for neither, both, or not above 0.
        """
        geometry = geometry_of(layout)
        if (spread_mm is None) == (spread is None):
            raise TouchModelError(
                "give one of the two",
                field="spread_mm, spread",
                fix="spread_mm=2.0, or spread=0.45 for a share of the key's size",
            )
        name, value = ("spread", spread) if spread_mm is None else ("spread_mm", spread_mm)
        if not (value is not None and np.isfinite(value) and value > 0):
            raise TouchModelError(f"is {value}", field=name, fix="give a number above 0")
        if not prior_touches > 0:
            raise TouchModelError(
                f"is {prior_touches}", field="prior_touches", fix="give a number above 0"
            )
        if spread_mm is None:
            sd = value * geometry.sizes
        else:
            sd = np.full_like(geometry.sizes, value / geometry.unit_mm)
        model = cls(background=background)
        model._check_params()
        model._start(geometry)
        model.prior_ = NIW.about(
            np.zeros((geometry.n_keys, 2)),
            sd[:, :, None] ** 2 * np.eye(2),
            kappa=np.full(geometry.n_keys, float(prior_touches)),
            nu=np.full(geometry.n_keys, float(prior_touches) + 3.0),
        )
        model._finish()
        return model

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> Self:
        """Learn from the labelled touches of a log.

        Raises TouchDataError for fewer than `min_touches` labelled touches in all, for unknown
        targets, and for touches without any spread; TouchModelError for bad parameters.
        """
        self._check_params()
        self._start(geometry_of(layout))
        return self._learn(log, self.geometry_)

    def partial_fit(self, log: TouchLog, layout: Layout | Geometry | None = None) -> Self:
        """Learn from more touches; the result equals one `fit` on all of them.

        `layout` is needed the first time. After `from_layout` the assumed spread stays as prior.
        """
        if not hasattr(self, "geometry_"):
            if layout is None:
                raise TouchModelError(
                    "the first partial_fit needs the layout", field="layout", fix="pass it"
                )
            return self.fit(log, layout)
        self._check_params()
        return self._learn(log, self._geometry(layout))

    def fit_stats(
        self, stats: KeyStats, layout: Layout | Geometry, *, where: str | None = None
    ) -> Self:
        """Learn from sufficient statistics of offsets per key, in layout units."""
        self._check_params()
        self._start(geometry_of(layout))
        self.stats_ = stats
        self._finish(where)
        return self

    # inside

    def _check_params(self) -> None:
        check_background(self.background)
        s = self.shrinkage
        if s != "auto" and not (isinstance(s, int | float) and 0 <= s <= 1):
            raise TouchModelError(
                f"is {s!r}", field="shrinkage", fix='give "auto" or a share from 0 to 1'
            )
        if not (isinstance(self.min_touches, int | np.integer) and self.min_touches >= 1):
            raise TouchModelError(
                f"is {self.min_touches!r}", field="min_touches", fix="give a count from 1"
            )

    def _start(self, geometry: Geometry) -> None:
        self.geometry_ = geometry
        self.stats_ = KeyStats.empty(geometry.n_keys)
        self.prior_: NIW | None = None
        self.n_unlabelled_ = 0

    def _learn(self, log: TouchLog, geometry: Geometry) -> Self:
        touches = label(log, geometry)
        before = self.stats_, self.n_unlabelled_
        self.stats_ = self.stats_ + KeyStats.of(touches.key, touches.offsets, geometry.n_keys)
        self.n_unlabelled_ += touches.n_unlabelled
        try:
            self._finish(log.where)
        except TouchDataError:
            self.stats_, self.n_unlabelled_ = before
            if self.stats_.total == 0 and self.prior_ is None:
                del self.geometry_
            raise
        return self

    def _finish(self, where: str | None = None) -> None:
        """From statistics to densities."""
        g, stats = self.geometry_, self.stats_
        if self.prior_ is not None:
            belief = self.prior_.posterior(stats.n, stats.mean, stats.scatter)
            offsets = belief.mean
            covariances = belief.expected_covariance
            few = np.zeros(g.n_keys, dtype=bool)
            self.pooled_offset_ = stats.grand_mean
            self.pooled_covariance_ = covariances.mean(axis=0)
        else:
            offsets, covariances, few = self._shrunk(stats, where)
        self._set_gaussians(g.centers + offsets, covariances)
        self.n_touches_ = stats.n.copy()
        self.fallback_keys_ = tuple(k for k, no in zip(g.key_ids, few, strict=True) if no)

    def _shrunk(
        self, stats: KeyStats, where: str | None
    ) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        check_spread(stats, max(self.min_touches, 3), where)
        pooled = pooled_covariance(stats)
        few = stats.n < self.min_touches
        self.pooled_covariance_ = pooled
        if self.shrinkage == "auto":
            prior = fit_prior(stats)
            kept = np.where(few, 0.0, 1.0)
            belief = prior.posterior(
                kept * stats.n, stats.mean, kept[:, None, None] * stats.scatter
            )
            self.pooled_offset_ = prior.mean
            return belief.mean, belief.predictive_covariance, few
        self.pooled_offset_ = stats.grand_mean
        a = float(self.shrinkage)
        own = stats.scatter / np.maximum(stats.n - 1, 1)[:, None, None]
        offsets = np.where(few[:, None], self.pooled_offset_, stats.mean)
        covariances = np.where(few[:, None, None], pooled, (1 - a) * own + a * pooled)
        return offsets, covariances, few

    def _reorder(self, order: NDArray[np.intp]) -> None:
        self.stats_ = self.stats_.take(order)
        p = self.prior_
        if p is not None:
            self.prior_ = NIW(p.mean[order], p.kappa[order], p.nu[order], p.scale[order])
        self._finish()

    def _stretch(self, factor: float) -> None:
        self.stats_ = self.stats_.stretched(factor)
        p = self.prior_
        if p is not None:
            self.prior_ = NIW(p.mean * factor, p.kappa, p.nu, p.scale * factor**2)
        self._finish()

    def _fitted_dict(self) -> dict[str, Any]:
        ids = self._fitted().key_ids
        stats, prior = self.stats_, self.prior_
        keys: list[dict[str, Any]] = []
        for i, key in enumerate(ids):
            row: dict[str, Any] = {
                "id": key,
                "n_touches": float(stats.n[i]),
                "mean": self.means_[i].tolist(),
                "covariance": _triple(self.covariances_[i]),
                "offset": stats.mean[i].tolist(),
                "scatter": _triple(stats.scatter[i]),
            }
            if prior is not None:
                row["prior"] = {
                    "offset": prior.mean[i].tolist(),
                    "kappa": float(prior.kappa[i]),
                    "nu": float(prior.nu[i]),
                    "scale": _triple(prior.scale[i]),
                }
            keys.append(row)
        return {"n_unlabelled": self.n_unlabelled_, "keys": keys}

    def _restore(self, fitted: dict[str, Any]) -> None:
        keys = fitted["keys"]
        if tuple(k["id"] for k in keys) != self.geometry_.key_ids:
            raise TouchModelError(
                "are not the layout's", field="fitted keys", fix="save the model again"
            )
        self.stats_ = KeyStats(
            np.array([k["n_touches"] for k in keys], dtype=np.float64),
            np.array([k["offset"] for k in keys], dtype=np.float64),
            np.stack([_square(k["scatter"]) for k in keys]),
        )
        self.n_unlabelled_ = int(fitted["n_unlabelled"])
        self.prior_ = None
        if "prior" in keys[0]:
            priors = [k["prior"] for k in keys]
            self.prior_ = NIW(
                np.array([p["offset"] for p in priors], dtype=np.float64),
                np.array([p["kappa"] for p in priors], dtype=np.float64),
                np.array([p["nu"] for p in priors], dtype=np.float64),
                np.stack([_square(p["scale"]) for p in priors]),
            )
        self._finish()


def _triple(matrix: Floats) -> list[float]:
    return [float(matrix[0, 0]), float(matrix[0, 1]), float(matrix[1, 1])]


def _square(triple: ArrayLike) -> Floats:
    xx, xy, yy = np.asarray(triple, dtype=np.float64)
    return np.array([[xx, xy], [xy, yy]])
