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

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.touch.base import fitted_arrays
from nearkey.touch.niw import fit_prior, log_gamma_2
from nearkey.touch.sufficient_statistics import KeyStats

__all__ = ["Population", "fit_population", "log_evidence"]

Floats = NDArray[np.float64]

_LEAST_PEOPLE = 3
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

    def take(self, keys: NDArray[np.intp]) -> Population:
        return Population(
            self.offset[keys],
            self.covariance[keys],
            self.kappa_person,
            self.kappa_key,
            self.nu,
            self.lam,
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            "kappa_person": self.kappa_person,
            "kappa_key": self.kappa_key,
            "nu": self.nu,
            "lambda": self.lam,
            "offset": self.offset.tolist(),
            "covariance": self.covariance.tolist(),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], n_keys: int) -> Population:
        offset, covariance = fitted_arrays(data, offset=(n_keys, 2), covariance=(n_keys, 2, 2))
        np.linalg.cholesky(covariance)
        return cls(
            offset,
            covariance,
            *(float(data[name]) for name in ("kappa_person", "kappa_key", "nu", "lambda")),
        )


def fit_population(
    who: NDArray[np.intp], key: NDArray[np.intp], offsets: Floats, n_people: int, n_keys: int
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
        belief = fit_prior(stats).posterior(stats.n, stats.mean, stats.scatter)
        covariance = belief.expected_covariance
        residual = offsets - belief.mean[key]
        people = KeyStats.of(who, residual, n_people)
        shift = people.mean * (people.n / (people.n + 1.0))[:, None]
        inverse = np.linalg.inv(covariance)[key]
        d = residual - shift[who]
        square = np.einsum("ni,nij,nj->n", d, inverse, d) / 2.0
        # One pseudo-touch of typical spread keeps people with few touches near 1.
        looseness = (np.bincount(who, square, n_people) + 1.0) / (people.n + 1.0)
    start = Population(belief.mean, covariance, **_DEFAULTS)
    if n_people < _LEAST_PEOPLE:
        return start, False
    cells = KeyStats.of(who * n_keys + key, offsets - belief.mean[key], n_people * n_keys)
    return _best(start, cells, n_people, n_keys), True


def _best(start: Population, cells: KeyStats, n_people: int, n_keys: int) -> Population:
    grids = {
        "kappa_key": np.geomspace(1.0, 1000.0, 13),
        "kappa_person": np.geomspace(0.05, 300.0, 14),
    }
    nu, lam_per_dof = 3.0 + np.geomspace(0.5, 200.0, 14), np.geomspace(0.5, 8.0, 15)
    best, most = start, -math.inf
    for kappa_key in grids["kappa_key"]:
        for kappa_person in grids["kappa_person"]:
            table = log_evidence(
                start,
                cells,
                n_people,
                n_keys,
                kappa_key=float(kappa_key),
                kappa_person=float(kappa_person),
                nu=nu[:, None],
                lam=(nu[:, None] - 3.0) * lam_per_dof,
            ).sum(axis=-1)
            i, j = np.unravel_index(int(table.argmax()), table.shape)
            if table[i, j] > most:
                most = float(table[i, j])
                best = Population(
                    start.offset,
                    start.covariance,
                    float(kappa_person),
                    float(kappa_key),
                    float(nu[i]),
                    float((nu[i] - 3.0) * lam_per_dof[j]),
                )
    return best


def log_evidence(
    population: Population,
    cells: KeyStats,
    n_people: int,
    n_keys: int,
    *,
    kappa_key: float,
    kappa_person: float,
    nu: Floats,
    lam: Floats,
) -> Floats:
    """Log probability of each person's touches with m, b and M integrated out `(..., people)`.

    `cells` holds the statistics of offsets about mu for person * n_keys + key; `nu` and `lam` may
    be grids. The covariances and offsets of keys are those of `population`.
    """
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
    nu, lam = np.asarray(nu)[..., None], np.asarray(lam)[..., None]
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
