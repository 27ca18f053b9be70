"""How simulated people touch: each with her own offset, spread and slant, and a little of each on every key.

The sizes are invented, of the order that the open phone touches show, on keys of 5 mm: people's mean
offsets differ by about 1.2 mm, one person's spread is about 2.5 mm (Larsen et al., MobileHCI 2019).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.layout import Layout
from nearkey.touch import PeopleTouch, TouchLog

Floats = NDArray[np.float64]

OWN_OFFSET = 0.25
KEY_OFFSET = 0.08
SPREAD = (0.48, 0.52)
SPREAD_DIFFERS = 0.20
SLANT = 0.3
"""In key sizes: standard deviation of people's offsets and of keys' offsets within a person, mean
spread per axis and the standard deviation of its log between people, largest correlation of the axes."""


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """One person's true touches: means (n_keys, 2) and the Cholesky factor (2, 2) of every key's spread."""

    means: Floats
    factor: Floats

    def touch(self, keys: list[int], rng: np.random.Generator) -> Floats:
        """A touch for each key."""
        return self.means[keys] + rng.standard_normal((len(keys), 2)) @ self.factor.T


def draw_body(layout: Layout, rng: np.random.Generator) -> Body:
    """A person."""
    size = layout.sizes
    own = rng.normal(0.0, OWN_OFFSET, 2)
    keys = rng.normal(0.0, KEY_OFFSET, (len(size), 2))
    x, y = np.array(SPREAD) * np.exp(rng.normal(0.0, SPREAD_DIFFERS, 2))
    slant = rng.uniform(-SLANT, SLANT)
    covariance = np.array([[x * x, slant * x * y], [slant * x * y, y * y]])
    scale = size.mean(axis=0)
    covariance *= np.outer(scale, scale)
    return Body(layout.centers + (own + keys) * size, np.linalg.cholesky(covariance))


def population(
    layout: Layout, rng: np.random.Generator, *, people: int, touches: int
) -> PeopleTouch:
    """What touches of other people tell: the model of a person of whom nothing is known."""
    letters = [i for i, key in enumerate(layout.keys) if key.role == "letters"]
    person, target, points = [], [], []
    for p in range(people):
        body = draw_body(layout, rng)
        keys = [int(k) for k in rng.choice(letters, touches)]
        points.append(body.touch(keys, rng))
        person += [f"p{p}"] * touches
        target += [layout.key_ids[k] for k in keys]
    xy = np.concatenate(points)
    log = TouchLog.from_points(xy, target, participant=person, time_s=0.3 * np.arange(len(xy)))
    return PeopleTouch().fit(log, layout)
