"""Coverage ellipses of touch models."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.components import as_points

__all__ = ["Ellipse", "chi_square_2", "ellipses"]

Floats = NDArray[np.float64]


class _Gaussians(Protocol):
    means_: Floats
    covariances_: Floats

    @property
    def key_ids(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse about a key's mean touch, in layout units.

    `semi_major`, `semi_minor` are half axes; `angle_rad` turns the x axis onto the major axis,
    towards y (clockwise on a screen), in (-pi/2, pi/2].
    """

    key_id: str
    x: float
    y: float
    semi_major: float
    semi_minor: float
    angle_rad: float
    coverage: float

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Which points `(n, 2)` lie inside `(n,)`."""
        d = as_points(points) - [self.x, self.y]
        c, s = math.cos(self.angle_rad), math.sin(self.angle_rad)
        u = (d[:, 0] * c + d[:, 1] * s) / self.semi_major
        v = (d[:, 1] * c - d[:, 0] * s) / self.semi_minor
        return np.asarray(u * u + v * v <= 1.0)


def chi_square_2(coverage: float) -> float:
    """The chi-square quantile with 2 degrees of freedom, -2 ln(1 - p): 5.991 for 0.95."""
    if not 0 < coverage < 1:
        raise TouchModelError(
            f"is {coverage!r}", field="coverage", fix="give a share between 0 and 1"
        )
    return -2.0 * math.log1p(-coverage)


def ellipses(model: _Gaussians, *, coverage: float = 0.95) -> tuple[Ellipse, ...]:
    """Per key, the ellipse that holds this share of a Gaussian with the key's mean and covariance.

    The background is left out. For a model that is no plain Gaussian the ellipse is that of its
    first two moments.
    """
    size = chi_square_2(coverage)
    values, vectors = np.linalg.eigh(model.covariances_)
    axes = np.sqrt(values * size)
    made = []
    for i, key in enumerate(model.key_ids):
        vx, vy = vectors[i, :, 1]
        if vx < 0 or (vx == 0 and vy < 0):
            vx, vy = -vx, -vy
        made.append(
            Ellipse(
                key_id=key,
                x=float(model.means_[i, 0]),
                y=float(model.means_[i, 1]),
                semi_major=float(axes[i, 1]),
                semi_minor=float(axes[i, 0]),
                angle_rad=math.atan2(vy, vx),
                coverage=coverage,
            )
        )
    return tuple(made)
