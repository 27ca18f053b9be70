"""The regressions behind `RegressionTouch`: offsets and log variances over place and movement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.touch.base import fitted_arrays

__all__ = ["OffsetRegression", "fit_offset_regression"]

Floats = NDArray[np.float64]

_ROUNDS = 20  # alternations between offsets and spreads; the fit settles in about five


@dataclass(frozen=True, slots=True, eq=False)
class OffsetRegression:
    """Coefficients per axis (last dimension 2), and what averages over movements need.

    `move_by_place (3, 2)` and `length_by_place (6,)` say which movements lead to which places (to
    a key on the left one mostly moves left); only what a movement differs from that counts as its
    effect. `move_covariance (2, 2)` and `length_variance` describe these differences.
    """

    degree: int
    place: Floats
    move: Floats
    log_variance: Floats
    log_variance_size: Floats
    log_variance_length: Floats
    size_mean: Floats
    move_by_place: Floats
    length_by_place: Floats
    move_covariance: Floats
    length_variance: float
    correlation: float

    def predict(self, place: Floats, side_mm: Floats, move: Floats) -> tuple[Floats, Floats]:
        """Mean offset and variance per axis, in mm and mm², `(..., 2)`; NaN movements unknown."""
        offset = _polynomial(place, self.degree) @ self.place
        log_variance = _polynomial(place, 1) @ self.log_variance
        log_variance += (np.log(side_mm) - self.size_mean) * self.log_variance_size
        offset += np.nan_to_num(move - _polynomial(place, 1) @ self.move_by_place) @ self.move
        usual = _polynomial(place, 2) @ self.length_by_place
        length = np.nan_to_num(np.hypot(move[..., 0], move[..., 1]) - usual)
        log_variance += length[..., None] * self.log_variance_length
        return offset, np.exp(log_variance)

    def average(self, place: Floats, side_mm: Floats) -> tuple[Floats, Floats]:
        """Mean offset `(k, 2)` and covariance `(k, 2, 2)` over the movements seen.

        The movement's effect on the offset adds its variance; that on the log variance is averaged
        as that of a normally distributed length.
        """
        offset, variance = self.predict(place, side_mm, np.full_like(place, np.nan))
        variance = variance * np.exp(0.5 * self.log_variance_length**2 * self.length_variance)
        sd = np.sqrt(variance)
        r = np.array([[1.0, self.correlation], [self.correlation, 1.0]])
        extra = self.move.T @ self.move_covariance @ self.move
        return offset, sd[:, :, None] * sd[:, None, :] * r + extra

    def to_dict(self) -> dict[str, Any]:
        arrays = {name: getattr(self, name).tolist() for name in _shapes(self.degree)}
        scalars = ("degree", "length_variance", "correlation")
        return arrays | {name: getattr(self, name) for name in scalars}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> OffsetRegression:
        degree = int(data["degree"])
        shapes = _shapes(degree)
        arrays = dict(zip(shapes, fitted_arrays(data, **shapes), strict=True))
        return cls(
            degree=degree,
            length_variance=float(data["length_variance"]),
            correlation=float(data["correlation"]),
            **arrays,
        )


def _shapes(degree: int) -> dict[str, tuple[int, ...]]:
    return {
        "place": ((1, 3, 6)[degree], 2),
        "move": (2, 2),
        "log_variance": (3, 2),
        "log_variance_size": (2,),
        "log_variance_length": (2,),
        "size_mean": (2,),
        "move_by_place": (3, 2),
        "length_by_place": (6,),
        "move_covariance": (2, 2),
    }


def _polynomial(place: Floats, degree: int) -> Floats:
    u, v = place[..., 0], place[..., 1]
    terms = [np.ones_like(u), u, v, u * u, u * v, v * v]
    return np.stack(terms[: (1, 3, 6)[degree]], axis=-1)


def fit_offset_regression(
    offsets: Floats, *, place: Floats, side_mm: Floats, move: Floats, degree: int, ridge: float
) -> OffsetRegression:
    """Alternate weighted ridge regressions of offsets and of log variances, per axis."""
    known = np.isfinite(move[:, 0]) & np.isfinite(move[:, 1])
    if known.sum() < 10:
        known[:] = False
    move_by_place, length_by_place = np.zeros((3, 2)), np.zeros(6)
    moved, longer = np.zeros_like(move), np.zeros(len(move))
    if known.any():
        # The ridge keeps places seen once or in one line from making this singular.
        length = np.hypot(move[known, 0], move[known, 1])
        one = np.ones(int(known.sum()))
        linear, square = _polynomial(place[known], 1), _polynomial(place[known], 2)
        move_by_place = _ridge(linear, move[known], one, 1e-3)
        length_by_place = _ridge(square, length, one, 1e-3)
        moved[known] = move[known] - linear @ move_by_place
        longer[known] = length - square @ length_by_place
    move_covariance = np.asarray(np.cov(moved[known].T)) if known.any() else np.zeros((2, 2))
    length_variance = float(longer[known].var()) if known.any() else 0.0
    size_mean = np.asarray(np.log(side_mm).mean(axis=0))
    design = np.column_stack([_polynomial(place, degree), moved])
    n_place = (1, 3, 6)[degree]
    coefficients = np.zeros((design.shape[1], 2))
    spreads = np.zeros((5, 2))
    standard = np.empty_like(offsets)
    squares = np.empty(len(offsets))
    for axis in (0, 1):
        larger = np.log(side_mm[:, axis]) - size_mean[axis]
        # Sizes that vary by less than 1 % teach nothing about size.
        larger = larger if np.ptp(larger) > 0.01 else np.zeros_like(larger)
        shape = np.column_stack([_polynomial(place, 1), larger, longer])
        gamma: Floats = np.zeros(5)
        gamma[0] = np.log(offsets[:, axis].var())
        for _ in range(_ROUNDS):
            variance = np.exp(shape @ gamma)
            beta = _ridge(design, offsets[:, axis], 1.0 / variance, ridge)
            squares = (offsets[:, axis] - design @ beta) ** 2
            # A Fisher step for log variances is a regression of squares / variance - 1; capping it
            # keeps one wild touch from bending the whole surface.
            step = np.minimum(squares / variance, 9.0) - 1.0
            gamma = _ridge(shape, shape @ gamma + step, np.full(len(shape), 0.5), ridge)
        # The capped steps read low; the level is set by the touches as they are.
        gamma[0] += np.log(np.mean(squares / np.exp(shape @ gamma)))
        coefficients[:, axis], spreads[:, axis] = beta, gamma
        standard[:, axis] = (offsets[:, axis] - design @ beta) / np.exp(0.5 * (shape @ gamma))
    return OffsetRegression(
        degree=degree,
        place=coefficients[:n_place],
        move=coefficients[n_place:],
        log_variance=spreads[:3],
        log_variance_size=spreads[3],
        log_variance_length=spreads[4],
        size_mean=size_mean,
        move_by_place=move_by_place,
        length_by_place=length_by_place,
        move_covariance=move_covariance,
        length_variance=length_variance,
        correlation=float(np.clip(np.asarray(np.corrcoef(standard.T))[0, 1], -0.99, 0.99)),
    )


def _ridge(design: Floats, response: Floats, weight: Floats, ridge: float) -> Floats:
    """Weighted least squares; the penalty is worth `ridge` touches of the mean weight.

    The first column is the intercept and stays free.
    """
    penalty = np.full(design.shape[1], ridge * float(weight.mean()))
    penalty[0] = 0.0
    gram = design.T @ (design * weight[:, None]) + np.diag(penalty)
    return np.asarray(np.linalg.solve(gram, design.T @ (weight * response.T).T))
