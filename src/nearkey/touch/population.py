"""What a population of people tells about the next person: a nested normal-inverse-Wishart model.

A touch of person p on key k has the offset

    d = mu_k + m_p + b_pk + e,    e ~ N(0, S_k * M_p),  b_pk ~ N(0, S * M_p / kappa_key),
    m_p ~ N(0, S * M_p / kappa_person),  M_p ~ inverse-Wishart(nu, lambda I),

where mu_k is the population's offset on the key, S_k its covariance there, S the typical S_k, and
"S * M" means L M L' with L the Cholesky factor of S: M_p says how this person's spread differs in
size and shape. Two levels of Murphy's (2007) conjugate model, one inside the other: a key of weight
n_k counts for the person's own offset as n_k kappa_key / (n_k + kappa_key) touches, which keeps every
posterior closed. It is exact when the S_k are multiples of each other (a touch on a key with a
wider spread then counts as tau_k < 1 touches), and close otherwise.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nearkey.touch.key_geometry import Floats, Indices
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.niw import fit_prior, log_gamma_2
from nearkey.touch.sufficient_statistics import KeyStats, mahalanobis_squares

_LEAST_PEOPLE = 3
_SCALARS = {"kappa_person": "kappa_person", "kappa_key": "kappa_key", "nu": "nu", "lambda": "lam"}
_DEFAULTS = {"kappa_person": 5.0, "kappa_key": 30.0, "nu": 9.0, "lam": 6.0}


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """`offset (k, 2)` and `covariance (k, 2, 2)` per key in layout units, and how people vary."""

    offset: Floats
    covariance: Floats
    kappa_person: float
    kappa_key: float
    nu: float
    lam: float

    @property
    def factor(self) -> Floats:
        """Lower Cholesky factors of the keys' covariances `(k, 2, 2)`."""
        return np.asarray(np.linalg.cholesky(self.covariance))

    @property
    def tau(self) -> Floats:
        """What a touch on each key counts for, against one on a key of typical spread `(k,)`."""
        det = np.linalg.det(self.covariance)
        return np.asarray(np.exp(0.5 * (np.log(det).mean() - np.log(det))))

    @property
    def typical_factor(self) -> Floats:
        """Lower Cholesky factor of S: the keys' mean shape at their geometric mean size."""
        root_det = np.sqrt(np.linalg.det(self.covariance))
        shape = (self.covariance / root_det[:, None, None]).mean(axis=0)
        size = np.exp(np.log(root_det).mean()) / math.sqrt(float(np.linalg.det(shape)))
        return np.asarray(np.linalg.cholesky(shape * size))

    def take(self, keys: Indices) -> Population:
        """The population on these keys, in this order."""
        return replace(self, offset=self.offset[keys], covariance=self.covariance[keys])

    def to_dict(self) -> dict[str, Any]:
        """Plain data, as model files hold it."""
        arrays = {"offset": self.offset.tolist(), "covariance": self.covariance.tolist()}
        return {name: getattr(self, of) for name, of in _SCALARS.items()} | arrays

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], n_keys: int) -> Population:
        """What `to_dict` gave; TouchModelError, KeyError or ValueError for anything else."""
        offset, covariance = fitted_arrays(data, offset=(n_keys, 2), covariance=(n_keys, 2, 2))
        np.linalg.cholesky(covariance)
        return cls(offset, covariance, *(float(data[name]) for name in _SCALARS))


def fit_population(
    who: Indices, key: Indices, offsets: Floats, n_people: int, n_keys: int
) -> tuple[Population, bool]:
    """The population behind people's touches, and whether there were enough people to learn how
    people vary (with fewer than three, stated defaults stand).

    Keys' offsets and covariances are estimated in turn with people's offsets and spreads, each
    person weighing in by precision; then kappa_person, kappa_key, nu and lambda maximise the
    evidence over a grid.
    """
    shift = np.zeros((n_people, 2))
    looseness = np.ones(n_people)
    for _ in range(6):
        weight = (1.0 / looseness)[who]
        weight *= len(weight) / weight.sum()
        stats = KeyStats.of(key, offsets - shift[who], n_keys, weight)
        belief = fit_prior(stats).posterior(stats)
        covariance = belief.expected_covariance
        residual = offsets - belief.mean[key]
        people = KeyStats.of(who, residual, n_people)
        shift = people.mean * (people.n / (people.n + 1.0))[:, None]
        square = mahalanobis_squares(residual - shift[who], covariance[key]) / 2.0
        # One pseudo-touch of typical spread keeps people with few touches near 1.
        looseness = (np.bincount(who, square, n_people) + 1.0) / (people.n + 1.0)
    start = Population(belief.mean, covariance, **_DEFAULTS)
    if n_people < _LEAST_PEOPLE:
        return start, False
    cells = KeyStats.of(who * n_keys + key, offsets - belief.mean[key], n_people * n_keys)
    return _best(start, cells, n_people, n_keys), True


def _best(start: Population, cells: KeyStats, n_people: int, n_keys: int) -> Population:
    """The population with those kappa_key, kappa_person, nu and lam of a grid that make the touches most probable."""
    nu, lam_per_dof = 3.0 + np.geomspace(0.5, 200.0, 14), np.geomspace(0.5, 8.0, 15)
    lam = (nu[:, None] - 3.0) * lam_per_dof
    best, most = start, -math.inf
    for kappa_key in np.geomspace(1.0, 1000.0, 13).tolist():
        for kappa_person in np.geomspace(0.05, 300.0, 14).tolist():
            tried = replace(start, kappa_key=kappa_key, kappa_person=kappa_person)
            table = log_evidence(tried, cells, n_people, n_keys, nu=nu[:, None], lam=lam).sum(
                axis=-1
            )
            i, j = np.unravel_index(int(table.argmax()), table.shape)
            if table[i, j] > most:
                most = float(table[i, j])
                best = replace(tried, nu=float(nu[i]), lam=float(lam[i, j]))
    return best


def log_evidence(
    population: Population,
    cells: KeyStats,
    n_people: int,
    n_keys: int,
    *,
    nu: Floats | None = None,
    lam: Floats | None = None,
) -> Floats:
    """Log probability of each person's touches with m, b and M integrated out `(..., people)`.

    Parameters
    ----------
    population : the model; covariances and offsets of keys are taken as known.
    cells : statistics of offsets about mu, for person * n_keys + key.
    n_people, n_keys : how many there are.
    nu, lam : grids of them, which stand for the population's own.
    """
    kappa_key, kappa_person = population.kappa_key, population.kappa_person
    factor = population.factor
    inverse = np.linalg.inv(factor)
    typical = np.linalg.inv(population.typical_factor)
    n = cells.n.reshape(n_people, n_keys)
    a = n * population.tau
    eff = a * kappa_key / (a + kappa_key)
    mean = cells.mean.reshape(n_people, n_keys, 2) @ typical.T
    scatter = cells.scatter.reshape(n_people, n_keys, 2, 2)
    within = np.einsum("kij,pkjl,kml->pim", inverse, scatter, inverse)
    total = eff.sum(axis=1)
    b = np.einsum("pk,pki->pi", eff, mean)
    c = np.einsum("pk,pki,pkj->pij", eff, mean, mean)
    s = within + c - b[:, :, None] * b[:, None, :] / (kappa_person + total)[:, None, None]
    touches = n.sum(axis=1)
    nu = np.asarray(population.nu if nu is None else nu)[..., None]
    lam = np.asarray(population.lam if lam is None else lam)[..., None]
    det = (lam + s[:, 0, 0]) * (lam + s[:, 1, 1]) - s[:, 0, 1] ** 2
    log_det_keys = np.log(np.linalg.det(population.covariance))
    return np.asarray(
        -touches * math.log(math.pi)
        - 0.5 * n @ log_det_keys
        + log_gamma_2((nu + touches) / 2)
        - log_gamma_2(nu / 2)
        + nu * np.log(lam)
        - (nu + touches) / 2 * np.log(det)
        + np.log(kappa_person / (kappa_person + total))
        + np.log(kappa_key / (a + kappa_key)).sum(axis=1)
    )


class Knowledge:
    """What is known of one person: sums whose size does not grow with the touches.

    `n (k,)` weights and `sums (k, 2)` of offsets beyond the population's; `spread (2, 2)`, the sum
    of squared innovations in the population's whitened units, and `weight`, its touches. `outliers`, how many touches
    the flat background explains, of `labelled`: of all touches, however doubtful their labels.
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
        self.weight = self.outliers = self.labelled = 0.0

    def copy(self) -> Knowledge:
        """An independent copy."""
        other = copy.copy(self)
        other.n, other.sums, other.spread = self.n.copy(), self.sums.copy(), self.spread.copy()
        return other

    def take(self, population: Population, order: Indices) -> Knowledge:
        """What is known, of these keys in this order, against the population on them."""
        other = Knowledge(population)
        other.n, other.sums = self.n[order], self.sums[order]
        other.spread, other.weight = self.spread.copy(), self.weight
        other.outliers, other.labelled = self.outliers, self.labelled
        return other

    def decay(self, factor: float) -> None:
        """Leave this share of the weight of everything learnt."""
        self.n *= factor
        self.sums *= factor
        self.spread *= factor
        self.weight *= factor
        self.outliers *= factor
        self.labelled *= factor

    def add(self, offset: Floats, key: int, weight: float) -> None:
        """One touch: the surprise it brings widens the spread, then the key's mean moves."""
        _, means, uncertainty = self._expected()
        beyond = offset - self.population.offset[key]
        z = self.inverse[key] @ (beyond - means[key])
        # The innovation has covariance M (1 / weight + uncertainty) in whitened units.
        self.spread += np.outer(z, z) / (1.0 / weight + uncertainty[key])
        self.weight += weight
        self.n[key] += weight
        self.sums[key] += weight * beyond

    def _expected(self) -> tuple[Floats, Floats, Floats]:
        """The person's own offset `(2,)`; per key her offset beyond the population's `(k, 2)`, and the uncertainty
        about it in touches' worth `(k,)`."""
        p = self.population
        a = self.n * self.tau
        held = p.kappa_key / (a + p.kappa_key)
        # n_eff = a * held; n_eff * mean = tau * held * sums
        total = p.kappa_person + float(a @ held)
        own = (self.tau * held) @ self.sums / total
        means = held[:, None] * (own + self.tau[:, None] * self.sums / p.kappa_key)
        return own, means, self.tau * held * (1.0 / p.kappa_key + held / total)

    @property
    def own_offset(self) -> Floats:
        """The person's offset on all keys, beyond the population's `(2,)`."""
        return self._expected()[0]

    @property
    def own_spread(self) -> Floats:
        """The person's covariance relative to the population's `(2, 2)`."""
        p = self.population
        return np.asarray((p.lam * np.eye(2) + self.spread) / (p.nu + self.weight - 3.0))

    @property
    def offsets(self) -> Floats:
        """Expected offsets per key `(k, 2)`."""
        return np.asarray(self.population.offset + self._expected()[1])

    @property
    def covariances(self) -> Floats:
        """Covariances of the next touch per key, the uncertainty about its mean included."""
        shape = self.factor @ self.own_spread @ self.factor.transpose(0, 2, 1)
        return np.asarray(shape * (1.0 + self._expected()[2])[:, None, None])

    def to_dict(self) -> dict[str, Any]:
        """Plain data, as model files hold it; files of version 0.1 say nothing of outliers."""
        outliers = {"outliers": self.outliers, "labelled": self.labelled} if self.labelled else {}
        return {
            "n_touches": self.n.tolist(),
            "offset_sums": self.sums.tolist(),
            "spread_sums": self.spread.tolist(),
            "weight": self.weight,
            **outliers,
        }
