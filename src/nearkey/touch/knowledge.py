"""What is known of one person: the state behind `PersonTouch`, and its closed-form updates."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.touch.population import Population

__all__ = ["Knowledge"]

Floats = NDArray[np.float64]


class Knowledge:
    """What is known of one person: sums whose size does not grow with the touches.

    `n (k,)` weights and `sums (k, 2)` of offsets beyond the population's; `spread (2, 2)`, the sum
    of squared innovations in the population's whitened units, and `weight`, its touches.
    """

    def __init__(self, population: Population) -> None:
        k = len(population.offset)
        self.population = population
        self.factor = population.factor
        self.inverse = np.linalg.inv(self.factor)
        self.tau = population.tau
        self.n = np.zeros(k)
        self.sums = np.zeros((k, 2))
        self.spread = np.zeros((2, 2))
        self.weight = 0.0

    @classmethod
    def none(cls, population: Population) -> Knowledge:
        return cls(population)

    def copy(self) -> Knowledge:
        other = copy.copy(self)
        other.n, other.sums, other.spread = self.n.copy(), self.sums.copy(), self.spread.copy()
        return other

    def take(self, population: Population, order: NDArray[np.intp]) -> Knowledge:
        other = Knowledge(population)
        other.n, other.sums = self.n[order], self.sums[order]
        other.spread, other.weight = self.spread.copy(), self.weight
        return other

    def decay(self, factor: float) -> None:
        self.n *= factor
        self.sums *= factor
        self.spread *= factor
        self.weight *= factor

    def add(self, offset: Floats, key: int, weight: float) -> None:
        """One touch: the surprise it brings widens the spread, then the key's mean moves."""
        mean, uncertainty = self._mean_of(key)
        beyond = offset - self.population.offset[key]
        z = self.inverse[key] @ (beyond - mean)
        # The innovation has covariance M (1 / weight + uncertainty) in whitened units.
        self.spread += np.outer(z, z) / (1.0 / weight + uncertainty)
        self.weight += weight
        self.n[key] += weight
        self.sums[key] += weight * beyond

    def _levels(self) -> tuple[Floats, float, Floats]:
        """Weights of keys, that of the person's own offset, and that offset."""
        p = self.population
        a = self.n * self.tau
        share = p.kappa_key / (a + p.kappa_key)
        # n_eff = a * share; n_eff * mean = tau * share * sums
        total = p.kappa_person + float(a @ share)
        return a, total, (self.tau * share) @ self.sums / total

    def _mean_of(self, key: int) -> tuple[Floats, float]:
        """The expected offset beyond the population's, and the uncertainty about it in touches' worth."""
        p = self.population
        a, total, own = self._levels()
        held = p.kappa_key / (p.kappa_key + a[key])
        mean = held * own + self.tau[key] * self.sums[key] / (p.kappa_key + a[key])
        variance = 1.0 / (p.kappa_key + a[key]) + held**2 / total
        return mean, float(self.tau[key] * variance)

    @property
    def own_offset(self) -> Floats:
        return self._levels()[2]

    @property
    def own_spread(self) -> Floats:
        p = self.population
        return np.asarray((p.lam * np.eye(2) + self.spread) / (p.nu + self.weight - 3.0))

    @property
    def offsets(self) -> Floats:
        p = self.population
        a, _, own = self._levels()
        mine = p.kappa_key * own + self.tau[:, None] * self.sums
        return np.asarray(p.offset + mine / (p.kappa_key + a)[:, None])

    @property
    def covariances(self) -> Floats:
        """Covariances of the next touch per key, the uncertainty about its mean included."""
        p = self.population
        a, total, _ = self._levels()
        held = p.kappa_key / (p.kappa_key + a)
        uncertainty = self.tau * (1.0 / (p.kappa_key + a) + held**2 / total)
        shape = self.factor @ self.own_spread @ self.factor.transpose(0, 2, 1)
        return np.asarray(shape * (1.0 + uncertainty)[:, None, None])

    def to_dict(self) -> dict[str, Any]:
        return {
            "n_touches": self.n.tolist(),
            "offset_sums": self.sums.tolist(),
            "spread_sums": self.spread.tolist(),
            "weight": self.weight,
        }
