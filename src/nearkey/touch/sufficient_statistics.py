"""Sufficient statistics of touches per key: weights, mean offsets, scatters; mergeable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nearkey.errors import TouchDataError
from nearkey.touch.key_geometry import Flags, Floats, Indices

# A variance (squared layout units, or mm²) below this is what rounding leaves of equal offsets.
_NO_SPREAD = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class KeyStats:
    """Per key: total weight `n (k,)`, mean offset `(k, 2)`, scatter about that mean `(k, 2, 2)`.

    Offsets in layout units, or all in millimetres. Other leading axes than keys work alike.
    """

    n: Floats
    mean: Floats
    scatter: Floats

    @classmethod
    def empty(cls, n_keys: int) -> KeyStats:
        """The statistics of no touches."""
        return cls(np.zeros(n_keys), np.zeros((n_keys, 2)), np.zeros((n_keys, 2, 2)))

    @classmethod
    def of(
        cls, key: Indices, offsets: Floats, n_keys: int, weights: Floats | None = None
    ) -> KeyStats:
        """From key indices `(n,)`, offsets `(n, 2)` and weights `(n,)` (1 by default)."""
        w = np.ones(len(key)) if weights is None else weights
        n = np.bincount(key, weights=w, minlength=n_keys).astype(np.float64)
        safe = np.where(n > 0, n, 1.0)
        mean = np.column_stack(
            [np.bincount(key, weights=w * offsets[:, a], minlength=n_keys) / safe for a in (0, 1)]
        )
        d = offsets - mean[key]
        scatter = np.empty((n_keys, 2, 2))
        for a, b in ((0, 0), (0, 1), (1, 1)):
            moment = np.bincount(key, weights=w * d[:, a] * d[:, b], minlength=n_keys)
            scatter[:, a, b] = scatter[:, b, a] = moment
        return cls(n, mean, scatter)

    def __add__(self, other: KeyStats) -> KeyStats:
        """The statistics of both together (pairwise update of Chan, Golub & LeVeque 1983)."""
        n = self.n + other.n
        part = other.n / np.where(n > 0, n, 1.0)
        gap = other.mean - self.mean
        cross = (self.n * part)[..., None, None] * gap[..., :, None] * gap[..., None, :]
        mean = self.mean + gap * part[..., None]
        return KeyStats(n, mean, self.scatter + other.scatter + cross)

    def take(self, keys: Indices) -> KeyStats:
        """The statistics of these keys, in this order."""
        return KeyStats(self.n[keys], self.mean[keys], self.scatter[keys])

    def stretched(self, factor: float) -> KeyStats:
        """The statistics of the same offsets times a factor."""
        return KeyStats(self.n, self.mean * factor, self.scatter * factor**2)

    @property
    def total(self) -> float:
        """Weight of all touches together."""
        return float(self.n.sum())

    @property
    def grand_mean(self) -> Floats:
        """Mean offset over all touches `(2,)`."""
        return np.asarray((self.n[:, None] * self.mean).sum(axis=0) / max(self.total, 1e-300))


def mahalanobis_squares(d: Floats, covariance: Floats) -> Floats:
    """Squared Mahalanobis distances `(...)` of differences `(..., 2)` under covariances `(..., 2, 2)`."""
    a, b, c = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
    x, y = d[..., 0], d[..., 1]
    return np.asarray((c * x * x - 2 * b * x * y + a * y * y) / (a * c - b * b))


def pooled_covariance(stats: KeyStats) -> Floats:
    """Covariance of offsets about their own key's mean, pooled over keys `(2, 2)`.

    Divided by N - (keys touched); with fewer than two degrees of freedom the covariance about
    the grand mean is taken instead, which needs two touches in all.
    """
    dof = stats.total - float((stats.n > 0).sum())
    if dof >= 2:
        return np.asarray(stats.scatter.sum(axis=0) / dof)
    d = stats.mean - stats.grand_mean
    about = stats.scatter.sum(axis=0) + np.einsum("k,ki,kj->ij", stats.n, d, d)
    return np.asarray(about / max(stats.total - 1, 1.0))


def floor_covariances(covariances: Floats, narrowest: float) -> tuple[Floats, Flags]:
    """Raise principal spreads below `narrowest` to it.

    Covariances `(..., 2, 2)`, `narrowest` a standard deviation; also which ones were raised `(...)`.
    """
    values, vectors = np.linalg.eigh(covariances)
    low = values < narrowest**2
    bad = low[..., 0] | low[..., 1]
    if not bad.any():
        return covariances, bad
    raised = np.maximum(values, narrowest**2)
    fixed = np.einsum("...ij,...j,...kj->...ik", vectors, raised, vectors)
    return np.where(bad[..., None, None], fixed, covariances), bad


def well_shaped(covariance: Floats) -> Floats:
    """A covariance `(2, 2)` whose narrow axis is at least 1e-4 of the wide one.

    Touches on one line, or doubled ones, would otherwise make it singular.
    """
    widest = float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    return floor_covariances(covariance, 1e-4 * widest)[0]


def check_spread(stats: KeyStats, least: int, where: str | None) -> None:
    """Raise TouchDataError for fewer than `least` touches, or an axis without any spread."""
    if stats.total < least:
        raise TouchDataError(
            f"{stats.total:.0f} labelled touches are too few",
            where=where,
            field="rows",
            fix=f"log at least {least}, or start from GaussianTouch.from_layout",
        )
    pooled = pooled_covariance(stats)
    for axis, name in enumerate("xy"):
        if not pooled[axis, axis] > _NO_SPREAD:
            raise TouchDataError(
                "has no spread: every touch lies at the same place on its key",
                where=where,
                field=name,
                fix="check the export of the log",
            )
