"""Coverage ellipses of touch models, and whether they hold the share of touches they claim."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from nearkey.errors import TouchModelError
from nearkey.intervals import proportion
from nearkey.touch.components import as_points
from nearkey.touch.key_geometry import AnyLayout, Flags
from nearkey.touch.labelling import label
from nearkey.touch.touch_log import TouchLog


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse about a key's mean touch, in layout units.

    Parameters
    ----------
    key_id : the key. x, y : the centre, a mean touch.
    semi_major, semi_minor : half axes.
    angle_rad : turns the x axis onto the major axis, towards y (clockwise on a screen), in (-pi/2, pi/2].
    coverage : the share of touches it is meant for.
    """

    key_id: str
    x: float
    y: float
    semi_major: float
    semi_minor: float
    angle_rad: float
    coverage: float

    def contains(self, points: ArrayLike) -> Flags:
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


def ellipses(model: Any, *, coverage: float = 0.95) -> tuple[Ellipse, ...]:
    """Per key, the ellipse that holds this share of a Gaussian with the key's mean and covariance.

    The background is left out. For a model that is no plain Gaussian the ellipse is that of its
    first two moments.

    Parameters
    ----------
    model : fitted, with `key_ids`, `means_ (n_keys, 2)` and `covariances_ (n_keys, 2, 2)`.
    coverage : a share between 0 and 1; TouchModelError for another.
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


@dataclass(frozen=True, slots=True)
class Coverage:
    """Of `n` touches the share `found` lay inside the ellipses meant for `claimed`; low and high
    bound its 95 % Wilson interval, which takes touches as independent."""

    claimed: float
    found: float
    low: float
    high: float
    n: int


def calibration(
    model: Any,
    log: TouchLog,
    layout: AnyLayout,
    *,
    coverages: Sequence[float] = (0.5, 0.8, 0.95, 0.99),
) -> tuple[Coverage, ...]:
    """How often labelled touches lie inside the ellipses of each coverage.

    Parameters
    ----------
    model : fitted, on other touches than these.
    log, layout : the touches and the model's layout.
    coverages : shares between 0 and 1.

    Raises TouchDataError as `label` does, TouchModelError for a coverage out of range.
    """
    touches = label(log, layout)
    n = len(touches.rows)
    hits = [int(model.inside_of(touches, claimed).sum()) for claimed in coverages]
    return tuple(
        Coverage(claimed, *proportion(h, n), n) for claimed, h in zip(coverages, hits, strict=True)
    )
