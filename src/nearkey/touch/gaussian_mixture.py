"""A mixture of Gaussians per key, fitted by EM: plain over all keys, then adapted key by key."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Self

import numpy as np

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.base import NARROWEST, TouchBase, background_parameter, parameter
from nearkey.touch.key_geometry import AnyLayout, Floats, Indices
from nearkey.touch.labelling import label
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.sufficient_statistics import (
    KeyStats,
    floor_covariances,
    mahalanobis_squares,
    well_shaped,
)
from nearkey.touch.touch_log import TouchLog

_ROUNDS = 500
_TOLERANCE = 1e-8  # mean log likelihood per touch


@dataclass(eq=False, kw_only=True)
class MixtureTouch(TouchBase):
    """Several Gaussians per key: skewed, doubled or long-tailed clouds of touches.

    A mixture is fitted by EM to the offsets of all keys, then adapted key by key by maximum a
    posteriori EM, the mixture of all keys counting as `relevance` touches. The kernel evaluates it
    directly.

    Parameters
    ----------
    n_components : Gaussians per key.
    relevance : how many touches of its own a key needs to go half its own way; 0 leaves each key
        alone with its touches and needs many.
    background : share of outliers, spread evenly over the surface.

    Attributes
    ----------
    weights_ `(n_keys, c)`, component_means_ `(n_keys, c, 2)`, component_covariances_ `(n_keys, c, 2, 2)`;
    means_ `(n_keys, 2)` and covariances_ `(n_keys, 2, 2)`, the first two moments of each key; n_touches_ `(n_keys,)`;
    fallback_keys_ (keys without touches). Lengths in layout units.
    """

    kind: ClassVar[str] = "mixture"

    n_components: int = parameter(
        2, "give a count from 1", lambda c: c >= 1, numbers=(int, np.integer)
    )
    relevance: float = parameter(50.0, "give touches from 0", lambda r: r >= 0)
    background: float = background_parameter()

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log; nothing is random.

        Raises TouchDataError for fewer than ten touches per component or none with spread, or,
        with relevance 0, for keys with too few; TouchModelError for bad parameters.
        """
        self._check_params()
        c = self.n_components
        touches = label(log, layout)
        g, n = touches.geometry, touches.statistics(10 * c).n
        few = n < 10 * c
        if self.relevance == 0 and few.any():
            raise TouchDataError(
                f"key '{g.key_ids[few.argmax()]}' has {n[few][0]:.0f} touches, {10 * c} are needed",
                where=log.where,
                field="rows",
                fix="log more, or give a relevance above 0",
            )
        narrowest = NARROWEST * float(g.sizes.min())
        shared = fit_mixture(touches.offsets, c, floor=narrowest**2)
        behind = max(self.relevance, 1e-6)
        mixture = adapt_mixture(touches.offsets, touches.key, g.n_keys, shared, relevance=behind)
        self.geometry_, self.n_touches_ = g, n
        self.weights_ = mixture.weight
        self.component_means_ = mixture.mean + g.centers[:, None, :]
        self.component_covariances_ = floor_covariances(mixture.covariance, narrowest)[0]
        self._finish()
        return self

    def _mixtures(self) -> tuple[Floats, Floats, Floats]:
        return self.weights_, self.component_means_, self.component_covariances_

    def _reorder(self, order: Indices) -> None:
        self.n_touches_, self.weights_ = self.n_touches_[order], self.weights_[order]
        self.component_means_ = self.component_means_[order]
        self.component_covariances_ = self.component_covariances_[order]

    def _stretch(self, factor: float) -> None:
        centers = self.geometry_.centers[:, None, :]
        self.component_means_ = centers + (self.component_means_ - centers) * factor
        self.component_covariances_ = self.component_covariances_ * factor**2

    def _finish(self) -> None:
        weights, means, covariances = self._mixtures()
        self.means_ = (weights[..., None] * means).sum(axis=1)
        d = means - self.means_[:, None, :]
        within = covariances + d[..., :, None] * d[..., None, :]
        self.covariances_ = (weights[..., None, None] * within).sum(axis=1)
        self.fallback_keys_ = self._ids_where(self.n_touches_ == 0)

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "n_touches": self.n_touches_.tolist(),
            "weights": self.weights_.tolist(),
            "means": self.component_means_.tolist(),
            "covariances": self.component_covariances_.tolist(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        n, c = self.geometry_.n_keys, int(self.n_components)
        self.n_touches_, self.weights_, self.component_means_, covariances = fitted_arrays(
            fitted, n_touches=(n,), weights=(n, c), means=(n, c, 2), covariances=(n, c, 2, 2)
        )
        if not ((self.weights_ > 0).all() and (np.linalg.eigvalsh(covariances) > 0).all()):
            raise TouchModelError(
                "are not positive", field="weights, covariances", fix="save again"
            )
        self.component_covariances_ = covariances


@dataclass(frozen=True, slots=True, eq=False)
class OffsetMixture:
    """`weight (..., c)`, `mean (..., c, 2)`, `covariance (..., c, 2, 2)`, one per leading index."""

    weight: Floats
    mean: Floats
    covariance: Floats

    def log_joint(self, points: Floats, which: Indices | None = None) -> Floats:
        """Log weight + log density of each component `(n, c)`; `which (n,)` picks mixtures."""
        pick = (Ellipsis,) if which is None else (which,)
        w, m, s = self.weight[pick], self.mean[pick], self.covariance[pick]
        half_log_det = 0.5 * np.log(np.linalg.det(s))
        q = mahalanobis_squares(points[:, None, :] - m, s)
        return np.asarray(np.log(w) - np.log(2 * np.pi) - half_log_det - 0.5 * q)


def fit_mixture(offsets: Floats, n_components: int, *, floor: float) -> OffsetMixture:
    """Maximum likelihood by EM from two starts, the better kept. Nothing is random.

    One start spreads the components' widths about one centre (a core and its tails), the other
    their centres along the longest axis.

    Parameters
    ----------
    offsets : `(n, 2)`.
    n_components : Gaussians of the mixture.
    floor : added to variances, as scikit-learn's `reg_covar`.
    """
    mean, covariance = offsets.mean(axis=0), well_shaped(np.cov(offsets.T))
    values, vectors = np.linalg.eigh(covariance)
    c = n_components
    steps = np.linspace(-1.0, 1.0, c) if c > 1 else np.zeros(1)
    even = np.full(c, 1.0 / c)
    centre, alike = np.repeat(mean[None], c, axis=0), np.repeat(covariance[None], c, axis=0)
    wide = OffsetMixture(even, centre, covariance * (4.0**steps)[:, None, None])
    along = steps[:, None] * vectors[:, 1] * np.sqrt(values[1])
    apart = OffsetMixture(even, mean + along, alike)

    def maximised(responsibilities: Floats) -> OffsetMixture:
        n = responsibilities.sum(axis=0) + 10 * np.finfo(float).eps
        mean = responsibilities.T @ offsets / n[:, None]
        d = offsets[:, None, :] - mean
        scatter = np.einsum("nc,nci,ncj->cij", responsibilities, d, d)
        return OffsetMixture(n / n.sum(), mean, scatter / n[:, None, None] + floor * np.eye(2))

    fits = [_em(offsets, start, maximised) for start in ((wide, apart) if c > 1 else (wide,))]
    return max(fits, key=lambda fit: fit[1])[0]


def adapt_mixture(
    offsets: Floats, key: Indices, n_keys: int, prior: OffsetMixture, *, relevance: float
) -> OffsetMixture:
    """Each key's mixture, by EM with the mixture of all keys as prior worth `relevance` touches.

    Maximum a posteriori updates of weights, means and covariances (Gauvain & Lee 1994; from
    memory): the prior adds up like so many touches. A key without touches keeps the prior.

    Parameters
    ----------
    offsets, key : `(n, 2)` and `(n,)`.
    n_keys : how many keys there are.
    prior : the mixture of all keys.
    relevance : touches it counts as, above 0.
    """
    c = len(prior.weight)
    behind = relevance * prior.weight
    before = KeyStats(behind, prior.mean, behind[:, None, None] * prior.covariance)
    start = OffsetMixture(
        np.repeat(prior.weight[None], n_keys, axis=0),
        np.repeat(prior.mean[None], n_keys, axis=0),
        np.repeat(prior.covariance[None], n_keys, axis=0),
    )
    cells = (key[:, None] * c + np.arange(c)).ravel()
    repeated = np.repeat(offsets, c, axis=0)

    def maximised(responsibilities: Floats) -> OffsetMixture:
        own = KeyStats.of(cells, repeated, n_keys * c, responsibilities.ravel())
        both = before + KeyStats(
            own.n.reshape(n_keys, c),
            own.mean.reshape(n_keys, c, 2),
            own.scatter.reshape(n_keys, c, 2, 2),
        )
        weight = both.n / both.n.sum(axis=1, keepdims=True)
        return OffsetMixture(weight, both.mean, both.scatter / both.n[..., None, None])

    return _em(offsets, start, maximised, key)[0]


def _em(
    offsets: Floats,
    mixture: OffsetMixture,
    maximised: Callable[[Floats], OffsetMixture],
    which: Indices | None = None,
) -> tuple[OffsetMixture, float]:
    """The mixture at which EM settles, and its mean log likelihood a touch."""
    before = -np.inf
    for _ in range(_ROUNDS):
        responsibilities, now = _responsibilities(mixture.log_joint(offsets, which))
        mixture = maximised(responsibilities)
        if abs(now - before) < _TOLERANCE:
            break
        before = now
    return mixture, now


def _responsibilities(log_joint: Floats) -> tuple[Floats, float]:
    """Posterior probabilities of the components `(n, c)`, and the mean log likelihood."""
    top = log_joint.max(axis=1, keepdims=True)
    joint = np.exp(log_joint - top)
    total = joint.sum(axis=1, keepdims=True)
    return joint / total, float((np.log(total) + top).mean())
