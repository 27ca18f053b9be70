"""One Gaussian per key, shrunk towards what all keys share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Self

import numpy as np

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.base import IncrementalTouch, background_parameter, parameter
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Geometry, Indices, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.niw import NIW, fit_prior
from nearkey.touch.sufficient_statistics import KeyStats, check_spread, pooled_covariance
from nearkey.touch.touch_log import TouchLog


def shrinkage_parameter() -> Any:
    """How far a key's covariance is drawn to the pooled one."""
    return parameter("auto", 'give "auto" or a share from 0 to 1', lambda s: 0 <= s <= 1, auto=True)


def min_touches_parameter() -> Any:
    """Touches below which a key falls back on what all keys share."""
    return parameter(3, "give a count from 1", lambda n: n >= 1, numbers=(int, np.integer))


@dataclass(eq=False, kw_only=True)
class GaussianTouch(IncrementalTouch):
    """A full-covariance Gaussian per key over a flat background.

    Parameters
    ----------
    shrinkage : "auto", or a share from 0 to 1.
        A share blends each key's sample covariance with the one pooled within keys:
        (1 - a) S_k + a S; means are the sample means. "auto" lets the touches say how alike keys
        are: a normal-inverse-Wishart prior over keys is fitted by marginal likelihood and each
        key gets its posterior mean and predictive covariance, so that a key with few touches
        stays near the pooled offset and spread and one with many goes its own way.
    background : share of outliers, spread evenly over the surface. It bounds the damage
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

    kind: ClassVar[str] = "gaussian"

    shrinkage: float | Literal["auto"] = shrinkage_parameter()
    background: float = background_parameter()
    min_touches: int = min_touches_parameter()

    @classmethod
    def from_layout(
        cls,
        layout: AnyLayout,
        *,
        spread_mm: float | None = None,
        spread: float | None = None,
        prior_touches: float = 10.0,
        background: float = 0.01,
    ) -> Self:
        """A model without data: Gaussians centred on the keys.

        Parameters
        ----------
        layout : where the keys are.
        spread_mm : a standard deviation in millimetres; or else
        spread : a share of the key's width in x and of its height in y.
        prior_touches : how many touches per key `partial_fit` takes this assumption to be worth.
        background : as of the class.

        Raises TouchModelError for neither spread or both, and for one that is not above 0.
        """
        geometry = geometry_of(layout)
        if (spread_mm is None) == (spread is None):
            raise TouchModelError(
                "give one of the two",
                field="spread_mm, spread",
                fix="spread_mm=2.0, or spread=0.45 for a share of the key's size",
            )
        name, value = ("spread", spread) if spread_mm is None else ("spread_mm", spread_mm)
        for field, number in ((name, value), ("prior_touches", prior_touches)):
            if not (number is not None and np.isfinite(number) and number > 0):
                raise TouchModelError(f"is {number}", field=field, fix="give a number above 0")
        assert value is not None  # for the type checker: checked above
        sd = value * geometry.sizes
        if spread_mm is not None:
            sd = np.full_like(sd, value / geometry.unit_mm)
        model = cls(background=background)
        model._start(geometry)
        model.prior_ = NIW.about(
            np.zeros((geometry.n_keys, 2)),
            sd[:, :, None] ** 2 * np.eye(2),
            kappa=np.full(geometry.n_keys, float(prior_touches)),
            nu=np.full(geometry.n_keys, float(prior_touches) + 3.0),
        )
        model._finish()
        return model

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log; `partial_fit` on parts of it gives the same.

        Raises TouchDataError for fewer than `min_touches` labelled touches in all, for unknown
        targets, and for touches without any spread; TouchModelError for bad parameters.
        """
        self._start(geometry_of(layout))
        return self._learn(log, self.geometry_)

    def fit_stats(self, stats: KeyStats, layout: AnyLayout, *, where: str | None = None) -> Self:
        """Learn from sufficient statistics of offsets per key, in layout units; raises as `fit`."""
        self._start(geometry_of(layout))
        self.stats_ = stats
        self._finish(where)
        return self

    # inside

    def _start(self, geometry: Geometry) -> None:
        self._check_params()
        self.geometry_ = geometry
        self.stats_ = KeyStats.empty(geometry.n_keys)
        self.prior_: NIW | None = None
        self.n_unlabelled_ = 0

    def _learn(self, log: TouchLog, layout: AnyLayout | None) -> Self:
        touches = label(log, self._geometry(layout))
        before = self.stats_, self.n_unlabelled_
        self.stats_ = self.stats_ + touches.statistics()
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
        stats = self.stats_
        if self.prior_ is not None:
            belief = self.prior_.posterior(stats)
            offsets, covariances = belief.mean, belief.expected_covariance
            few = np.zeros(len(stats.n), dtype=bool)
            self.pooled_offset_ = stats.grand_mean
            self.pooled_covariance_ = covariances.mean(axis=0)
        else:
            check_spread(stats, max(self.min_touches, 3), where)
            few = stats.n < self.min_touches
            self.pooled_covariance_ = pooled_covariance(stats)
            offsets, covariances = self._shrunk(stats, few)
        self._set_gaussians(self.geometry_.centers + offsets, covariances)
        self.n_touches_ = stats.n.copy()
        self.fallback_keys_ = self._ids_where(few)

    def _shrunk(self, stats: KeyStats, few: Flags) -> tuple[Floats, Floats]:
        """Offsets and covariances per key; `few` marks keys that fall back."""
        if self.shrinkage == "auto":
            prior = fit_prior(stats)
            kept = np.where(few, 0.0, 1.0)
            own = KeyStats(kept * stats.n, stats.mean, kept[:, None, None] * stats.scatter)
            belief = prior.posterior(own)
            self.pooled_offset_ = prior.mean
            return belief.mean, belief.predictive_covariance
        self.pooled_offset_ = stats.grand_mean
        a, pooled = float(self.shrinkage), self.pooled_covariance_
        sample = stats.scatter / np.maximum(stats.n - 1, 1)[:, None, None]
        offsets = np.where(few[:, None], self.pooled_offset_, stats.mean)
        return offsets, np.where(few[:, None, None], pooled, (1 - a) * sample + a * pooled)

    def _reorder(self, order: Indices) -> None:
        self.stats_ = self.stats_.take(order)
        self.prior_ = self.prior_ and self.prior_.take(order)

    def _stretch(self, factor: float) -> None:
        self.stats_ = self.stats_.stretched(factor)
        self.prior_ = self.prior_ and self.prior_.stretched(factor)

    def _fitted_dict(self) -> dict[str, Any]:
        stats, prior = self.stats_, self.prior_
        keys: list[dict[str, Any]] = []
        for i, key in enumerate(self._fitted().key_ids):
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
        self.n_unlabelled_ = int(fitted["n_unlabelled"])
        self.stats_ = KeyStats(
            _column(keys, "n_touches"), _column(keys, "offset"), _squares(keys, "scatter")
        )
        self.prior_ = None
        if "prior" in keys[0]:
            rows = [k["prior"] for k in keys]
            self.prior_ = NIW(
                _column(rows, "offset"),
                _column(rows, "kappa"),
                _column(rows, "nu"),
                _squares(rows, "scale"),
            )


def _triple(matrix: Floats) -> list[float]:
    return [float(matrix[0, 0]), float(matrix[0, 1]), float(matrix[1, 1])]


def _column(rows: list[dict[str, Any]], name: str) -> Floats:
    return np.array([row[name] for row in rows], dtype=np.float64)


def _squares(rows: list[dict[str, Any]], name: str) -> Floats:
    """Symmetric matrices `(n, 2, 2)` from triples xx, xy, yy."""
    xx, xy, yy = _column(rows, name).T
    return np.stack([np.stack([xx, xy], axis=-1), np.stack([xy, yy], axis=-1)], axis=-2)
