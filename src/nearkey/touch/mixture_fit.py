"""EM for Gaussian mixtures of offsets: plain over all keys, then adapted key by key."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.touch.sufficient_statistics import KeyStats, well_shaped

__all__ = ["OffsetMixture", "adapt_mixture", "fit_mixture"]

Floats = NDArray[np.float64]

_ROUNDS = 500
_TOLERANCE = 1e-8  # mean log likelihood per touch


@dataclass(frozen=True, slots=True, eq=False)
class OffsetMixture:
    """`weight (..., c)`, `mean (..., c, 2)`, `covariance (..., c, 2, 2)`, one per leading index."""

    weight: Floats
    mean: Floats
    covariance: Floats

    def log_joint(self, points: Floats, which: NDArray[np.intp] | None = None) -> Floats:
        """Log weight + log density of each component `(n, c)`; `which (n,)` picks mixtures."""
        pick = (Ellipsis,) if which is None else (which,)
        w, m, s = self.weight[pick], self.mean[pick], self.covariance[pick]
        d = points[:, None, :] - m
        a, b, c = s[..., 0, 0], s[..., 0, 1], s[..., 1, 1]
        det = a * c - b * b
        q = (c * d[..., 0] ** 2 - 2 * b * d[..., 0] * d[..., 1] + a * d[..., 1] ** 2) / det
        return np.asarray(np.log(w) - np.log(2 * np.pi) - 0.5 * np.log(det) - 0.5 * q)


def fit_mixture(offsets: Floats, n_components: int, *, floor: float) -> OffsetMixture:
    """Maximum likelihood by EM from two starts, the better kept. Nothing is random.

    One start spreads the components' widths about one centre (a core and its tails), the other
    their centres along the longest axis. `floor` is added to variances, as scikit-learn's
    `reg_covar`.
    """
    mean, covariance = offsets.mean(axis=0), well_shaped(np.cov(offsets.T))
    values, vectors = np.linalg.eigh(covariance)
    c = n_components
    steps = np.linspace(-1.0, 1.0, c) if c > 1 else np.zeros(1)
    even = np.full(c, 1.0 / c)
    wide = OffsetMixture(
        even, np.repeat(mean[None], c, axis=0), covariance * (4.0**steps)[:, None, None]
    )
    along = steps[:, None] * vectors[:, 1] * np.sqrt(values[1])
    apart = OffsetMixture(even, mean + along, np.repeat(covariance[None], c, axis=0))
    fits = [_em(offsets, start, floor) for start in ((wide, apart) if c > 1 else (wide,))]
    return max(fits, key=lambda fit: fit[1])[0]


def _em(offsets: Floats, mixture: OffsetMixture, floor: float) -> tuple[OffsetMixture, float]:
    before = -np.inf
    for _ in range(_ROUNDS):
        share, now = _responsibilities(mixture.log_joint(offsets))
        n = share.sum(axis=0) + 10 * np.finfo(float).eps
        mean = share.T @ offsets / n[:, None]
        d = offsets[:, None, :] - mean
        covariance = np.einsum("nc,nci,ncj->cij", share, d, d) / n[:, None, None]
        mixture = OffsetMixture(n / n.sum(), mean, covariance + floor * np.eye(2))
        if now - before < _TOLERANCE:
            break
        before = now
    return mixture, now


def adapt_mixture(
    offsets: Floats, key: NDArray[np.intp], n_keys: int, prior: OffsetMixture, *, relevance: float
) -> OffsetMixture:
    """Each key's mixture, by EM with the mixture of all keys as prior worth `relevance` touches.

    Maximum a posteriori updates of weights, means and covariances (Gauvain & Lee 1994; from
    memory). A key without touches keeps the prior.
    """
    c = len(prior.weight)
    behind = relevance * prior.weight
    mixture = OffsetMixture(
        np.repeat(prior.weight[None], n_keys, axis=0),
        np.repeat(prior.mean[None], n_keys, axis=0),
        np.repeat(prior.covariance[None], n_keys, axis=0),
    )
    cells = (key[:, None] * c + np.arange(c)).ravel()
    repeated = np.repeat(offsets, c, axis=0)
    before = -np.inf
    for _ in range(_ROUNDS):
        share, now = _responsibilities(mixture.log_joint(offsets, key))
        stats = KeyStats.of(cells, repeated, n_keys * c, share.ravel())
        n = stats.n.reshape(n_keys, c)
        own_mean = stats.mean.reshape(n_keys, c, 2)
        scatter = stats.scatter.reshape(n_keys, c, 2, 2)
        total = n + behind
        gap = own_mean - prior.mean
        mean = prior.mean + gap * (n / total)[..., None]
        cross = (n * behind / total)[..., None, None] * gap[..., :, None] * gap[..., None, :]
        covariance = (behind[:, None, None] * prior.covariance + scatter + cross) / total[
            ..., None, None
        ]
        mixture = OffsetMixture(total / total.sum(axis=1, keepdims=True), mean, covariance)
        if abs(now - before) < _TOLERANCE:
            break
        before = now
    return mixture


def _responsibilities(log_joint: Floats) -> tuple[Floats, float]:
    """Posterior shares of components `(n, c)` and the mean log likelihood."""
    top = log_joint.max(axis=1, keepdims=True)
    share = np.exp(log_joint - top)
    total = share.sum(axis=1, keepdims=True)
    share /= total
    return share, float((np.log(total) + top).mean())
