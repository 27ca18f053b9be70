"""Components, Gaussian or t: the form in which touch densities reach the compiled kernel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError
from nearkey.layout.geometry import finite_points
from nearkey.touch.key_geometry import Floats

# Rows evaluated at a time: keeps the scratch arrays inside the processor's cache.
_BLOCK = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Weighted Gaussians over keys, sorted by key, and a flat background.

    log p_k(s) = log[(1 - b) sum over c of k of exp(log_weight + log_norm - q/2)
                     + b exp(background_log_density)],
    q = (s - mean)' P (s - mean). Lengths in layout units, natural logs.

    Parameters
    ----------
    key : `(c,)` int32, the key of each component, ascending; every key has one.
    log_weight : `(c,)`; the weights of a key sum to 1.
    mean : `(c, 2)`. precision : `(c, 3)`, rows of P as (xx, xy, yy). log_norm : `(c,)`, log of the density's factor.
    background_weight, background_log_density : b, the share of outliers, and their flat log density.
    dof : where finite the components are bivariate t's of so many degrees of freedom: (dof + 2)/2 log(1 + q/dof) in
        the place of q/2, with the same `log_norm`.
    """

    key: NDArray[np.int32]
    log_weight: Floats
    mean: Floats
    precision: Floats
    log_norm: Floats
    background_weight: float
    background_log_density: float
    dof: float = math.inf


def as_points(points: ArrayLike) -> Floats:
    """Points as float64 `(n, 2)`; TouchDataError for another shape, NaN or infinity."""
    return finite_points(points, error=TouchDataError)


def gaussian_components(
    key: NDArray[np.int32],
    weight: Floats,
    mean: Floats,
    covariance: Floats,
    *,
    background_weight: float,
    background_log_density: float,
    dof: float = math.inf,
) -> Components:
    """Components from weights `(c,)`, means `(c, 2)` and covariances `(c, 2, 2)` (scales of t's).

    The other parameters are those of `Components`.
    """
    xx, xy, yy = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    det = xx * yy - xy * xy
    return Components(
        key=np.ascontiguousarray(key, dtype=np.int32),
        log_weight=np.log(weight),
        mean=np.ascontiguousarray(mean),
        precision=np.column_stack([yy / det, -xy / det, xx / det]),
        log_norm=-np.log(2 * np.pi) - 0.5 * np.log(det),
        background_weight=background_weight,
        background_log_density=background_log_density,
        dof=dof,
    )


def log_density(components: Components, points: ArrayLike, n_keys: int) -> Floats:
    """Natural log densities `(n, n_keys)` of points `(n, 2)`; every key has a component."""
    xy = as_points(points)
    out = np.empty((len(xy), n_keys))
    for start in range(0, len(xy), _BLOCK):
        rows = slice(start, start + _BLOCK)
        _fill(components, xy[rows], out[rows])
    return out


def _fill(c: Components, xy: Floats, out: Floats) -> None:
    dx = xy[:, :1] - c.mean[:, 0]
    dy = xy[:, 1:] - c.mean[:, 1]
    # exponent = log_weight + log_norm - (xx dx² + 2 xy dx dy + yy dy²) / 2, with few temporaries
    exponent = c.precision[:, 0] * dx
    exponent += 2 * c.precision[:, 1] * dy
    exponent *= dx
    dy *= dy
    dy *= c.precision[:, 2]
    exponent += dy
    if math.isfinite(c.dof):
        exponent /= c.dof
        np.log1p(exponent, out=exponent)
        exponent *= -0.5 * (c.dof + 2.0)
    else:
        exponent *= -0.5
    exponent += c.log_weight + c.log_norm
    if exponent.shape[1] == out.shape[1]:
        out[:] = exponent
    else:
        starts = np.flatnonzero(np.diff(c.key, prepend=-1))
        top = np.maximum.reduceat(exponent, starts, axis=1)
        exponent -= top[:, c.key]
        np.exp(exponent, out=exponent)
        out[:] = np.log(np.add.reduceat(exponent, starts, axis=1)) + top
    b = c.background_weight
    if b > 0:
        out += np.log1p(-b)
        np.logaddexp(out, np.log(b) + c.background_log_density, out=out)
