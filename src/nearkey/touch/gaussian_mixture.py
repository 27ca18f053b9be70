"""A mixture of Gaussians per key."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.base import (
    ComponentTouch,
    check_background,
    fitted_arrays,
    key_indices,
)
from nearkey.touch.components import Components, gaussian_components
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label
from nearkey.touch.mixture_fit import adapt_mixture, fit_mixture
from nearkey.touch.sufficient_statistics import KeyStats, check_spread, floor_covariances
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["MixtureTouch"]

Floats = NDArray[np.float64]


class MixtureTouch(ComponentTouch):
    """Several Gaussians per key: skewed, doubled or long-tailed clouds of touches.

    A mixture is fitted by EM to the offsets of all keys, then adapted key by key by maximum a
    posteriori EM, the mixture of all keys counting as `relevance` touches. The kernel evaluates it
    directly.

    Parameters
    ----------
    n_components : Gaussians per key.
    relevance : how many touches of its own a key needs to go half its own way; 0 leaves each key
        alone with its touches and needs many.
    background : share of wild touches, spread evenly over the surface.

    Attributes: weights_ `(n_keys, c)`, component_means_ `(n_keys, c, 2)`,
    component_covariances_ `(n_keys, c, 2, 2)`; means_ and covariances_, the first two moments
    of each key; n_touches_; fallback_keys_ (keys without touches).
    """

    kind = "mixture"

    def __init__(
        self, *, n_components: int = 2, relevance: float = 50.0, background: float = 0.01
    ) -> None:
        self.n_components = n_components
        self.relevance = relevance
        self.background = background

    def fit(self, log: TouchLog, layout: Layout | Geometry) -> Self:
        """Learn from the labelled touches of a log; nothing is random.

        Raises TouchDataError for fewer than ten touches per component or none with spread, or,
        with relevance 0, for keys with too few; TouchModelError for bad parameters.
        """
        check_background(self.background)
        c = self.n_components
        if not (isinstance(c, int | np.integer) and c >= 1):
            raise TouchModelError(f"is {c!r}", field="n_components", fix="give a count from 1")
        if not (np.isfinite(self.relevance) and self.relevance >= 0):
            raise TouchModelError(
                f"is {self.relevance!r}", field="relevance", fix="give touches from 0"
            )
        g = geometry_of(layout)
        touches = label(log, g)
        counts = KeyStats.of(touches.key, touches.offsets, g.n_keys)
        check_spread(counts, 10 * c, log.where)
        few = counts.n < 10 * c
        if self.relevance == 0 and few.any():
            poor = g.key_ids[int(np.flatnonzero(few)[0])]
            raise TouchDataError(
                f"key '{poor}' has {counts.n[few][0]:.0f} touches, {10 * c} are needed",
                where=log.where,
                field="rows",
                fix="log more, or give a relevance above 0",
            )
        narrowest = 0.01 * float(g.sizes.min())
        shared = fit_mixture(touches.offsets, c, floor=narrowest**2)
        behind = max(self.relevance, 1e-6)
        mixture = adapt_mixture(touches.offsets, touches.key, g.n_keys, shared, relevance=behind)
        covariances, _ = floor_covariances(mixture.covariance, narrowest)
        self.geometry_ = g
        self.n_touches_ = counts.n
        self._finish(mixture.weight, mixture.mean + g.centers[:, None, :], covariances)
        return self

    def components(self) -> Components:
        """The densities as `n_components` Gaussians per key over the flat background."""
        g = self._fitted()
        n, c = self.weights_.shape
        return gaussian_components(
            np.repeat(np.arange(n, dtype=np.int32), c),
            self.weights_.ravel(),
            self.component_means_.reshape(-1, 2),
            self.component_covariances_.reshape(-1, 2, 2),
            background_weight=check_background(self.background),
            background_log_density=-math.log(g.area),
        )

    def sample(self, keys: Sequence[int] | Sequence[str] | NDArray[Any], rng: Any) -> Floats:
        """Touches `(n, 2)` aimed at keys given by index or id.

        Exactly two standard normals per touch, in order, as in every model: the place of the
        first in its distribution chooses the component, and the place within that component's
        share is a fresh uniform number, turned back into a standard normal.
        """
        index = key_indices(keys, self._fitted())
        z = np.random.default_rng(rng).standard_normal((len(index), 2))
        upper = np.cumsum(self.weights_, axis=1)[index]
        upper[:, -1] = 1.0
        u = 0.5 * _erfc(-z[:, 0] / math.sqrt(2.0))
        chosen = np.minimum((u[:, None] > upper).sum(axis=1), self.weights_.shape[1] - 1)
        rows = np.arange(len(index))
        share = self.weights_[index, chosen]
        within = (u - (upper[rows, chosen] - share)) / share
        z[:, 0] = _normal_quantile(np.clip(within, 1e-15, 1 - 1e-15))
        factors = np.linalg.cholesky(self.component_covariances_)[index, chosen]
        return np.asarray(
            self.component_means_[index, chosen] + np.einsum("nij,nj->ni", factors, z)
        )

    def _reorder(self, order: NDArray[np.intp]) -> None:
        self.n_touches_ = self.n_touches_[order]
        self._finish(
            self.weights_[order], self.component_means_[order], self.component_covariances_[order]
        )

    def _stretch(self, factor: float) -> None:
        centers = self.geometry_.centers[:, None, :]
        self._finish(
            self.weights_,
            centers + (self.component_means_ - centers) * factor,
            self.component_covariances_ * factor**2,
        )

    def _finish(self, weights: Floats, means: Floats, covariances: Floats) -> None:
        self.weights_ = weights
        self.component_means_ = means
        self.component_covariances_ = covariances
        self.means_ = (weights[..., None] * means).sum(axis=1)
        d = means - self.means_[:, None, :]
        within = covariances + d[..., :, None] * d[..., None, :]
        self.covariances_ = (weights[..., None, None] * within).sum(axis=1)
        self.fallback_keys_ = tuple(
            k for k, n in zip(self.geometry_.key_ids, self.n_touches_, strict=True) if n == 0
        )

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "n_touches": self.n_touches_.tolist(),
            "weights": self.weights_.tolist(),
            "means": self.component_means_.tolist(),
            "covariances": self.component_covariances_.tolist(),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        n, c = self.geometry_.n_keys, int(self.n_components)
        self.n_touches_, weights, means, covariances = fitted_arrays(
            fitted, n_touches=(n,), weights=(n, c), means=(n, c, 2), covariances=(n, c, 2, 2)
        )
        if not ((weights > 0).all() and (np.linalg.eigvalsh(covariances) > 0).all()):
            raise TouchModelError(
                "are not positive", field="weights, covariances", fix="save again"
            )
        self._finish(weights, means, covariances)


_erfc = np.vectorize(math.erfc, otypes=[np.float64])
_normal_quantile = np.vectorize(NormalDist().inv_cdf, otypes=[np.float64])
