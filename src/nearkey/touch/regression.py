"""Offset and spread as functions of where the key is and where the finger came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from nearkey.errors import TouchModelError
from nearkey.touch.base import TouchBase, background_parameter, parameter
from nearkey.touch.components import as_points
from nearkey.touch.key_geometry import AnyLayout, Floats, Geometry
from nearkey.touch.labelling import Labelled, label_all, previous_points
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.touch_log import TouchLog

_ROUNDS = 20  # alternations between offsets and spreads; the fit settles in about five


@dataclass(eq=False, kw_only=True)
class RegressionTouch(TouchBase):
    """Gaussians whose offset and spread follow the key's place, its size and the movement to it.

    Offset in mm, per axis: a polynomial of degree `degree` (0 to 2) in the key centre's place
    on the surface (-1 to 1 across and down), plus, with `previous`, a linear effect of the
    movement from the previous touch. Log variance in mm², per axis: linear in the place, in the log
    of the key's side (when the logs hold several sizes), and in the movement's length. Fitted by
    alternating weighted ridge least squares and Fisher scoring of the variances (a
    heteroscedastic regression; common practice). Every key of any layout so gets a
    distribution, touched or not: `for_layout`.

    Parameters
    ----------
    degree : 0, 1 or 2.
    previous : also learn the effect of the previous touch. `log_prob(points)` then averages over
        the movements seen; `log_prob(points, previous=...)` knows them.
    ridge : pseudo-touches that hold every slope at 0.
    background : share of outliers, spread evenly over the surface.

    Attributes
    ----------
    n_touches_; means_ `(n_keys, 2)`, covariances_ `(n_keys, 2, 2)` (averaged over movements), in layout units;
    correlation_.
    """

    kind: ClassVar[str] = "regression"
    in_millimetres: ClassVar[bool] = True

    degree: int = parameter(2, "give 0, 1 or 2", lambda degree: degree in (0, 1, 2))
    previous: bool = True
    ridge: float = parameter(10.0, "give a number above 0", lambda ridge: ridge > 0)
    background: float = background_parameter()

    def fit(
        self, log: TouchLog | Sequence[TouchLog], layout: AnyLayout | Sequence[AnyLayout]
    ) -> Self:
        """Learn from a log on a layout, or from several logs each on its own layout.

        The model's keys are those of the (first) layout. Raises TouchDataError for fewer than
        ten labelled touches or none with spread, TouchModelError for bad parameters.
        """
        self._check_params()
        parts = label_all(log, layout, least=10)
        move = np.vstack([_movements_to(part) for part in parts])
        self.geometry_ = parts[0].geometry
        self.n_touches_ = len(move)
        self.fit_ = fit_offset_regression(
            np.vstack([part.offsets_mm for part in parts]),
            place=np.vstack([_places(part.geometry)[part.key] for part in parts]),
            side_mm=np.vstack([part.sizes_mm for part in parts]),
            move=move if self.previous else np.full_like(move, np.nan),
            degree=self.degree,
            ridge=self.ridge,
        )
        self._finish()
        return self

    @property
    def correlation_(self) -> float:
        """Correlation of x and y offsets about their regressions."""
        return self.fit_.correlation

    def log_prob(self, points: ArrayLike, *, previous: ArrayLike | None = None) -> Floats:
        """Natural log densities `(n, n_keys)` of points `(n, 2)`, per squared layout unit.

        Parameters
        ----------
        points : `(n, 2)`; TouchDataError for another shape or not finite.
        previous : `(n, 2)`, the touches before these, NaN where there was none; TouchModelError for another shape.
            Without it, and for a model that was not taught movements, densities are averages over movements.
        """
        if previous is None or not self.previous:
            return super().log_prob(points)
        g = self._fitted()
        xy = as_points(points)
        before = np.asarray(previous, dtype=np.float64)
        if before.shape != xy.shape:
            raise TouchModelError(
                f"shape is {before.shape}", field="previous", fix="give one row per point"
            )
        # Where there was no touch before, the average over movements stands.
        known = ~np.isnan(before).any(axis=1)
        result = np.empty((len(xy), g.n_keys))
        result[~known] = super().log_prob(xy[~known])
        move = (g.centers - before[known, None, :]) / _diagonal(g)
        place, side = (np.broadcast_to(a, move.shape) for a in (_places(g), g.sizes_mm))
        offset, variance = self.fit_.predict(place, side, move)
        d = ((xy[known, None, :] - g.centers) * g.unit_mm - offset) / np.sqrt(variance)
        r, b = self.fit_.correlation, self.background
        q = (d[..., 0] ** 2 - 2 * r * d[..., 0] * d[..., 1] + d[..., 1] ** 2) / (1 - r * r)
        log_det = np.log(variance).sum(axis=-1) + np.log(1 - r * r)
        density = 2 * np.log(g.unit_mm) - np.log(2 * np.pi) - 0.5 * (log_det + q)
        flat = np.log(b / g.area) if b > 0 else -np.inf
        result[known] = np.logaddexp(density + np.log1p(-b), flat)
        return result

    def log_prob_of(self, touches: Labelled) -> Floats:
        """`log_prob` with the touches before, as the log has them."""
        return self.log_prob(touches.points, previous=previous_points(touches.log)[touches.rows])

    def _finish(self) -> None:
        g = self.geometry_
        offset, covariance = self.fit_.average(_places(g), g.sizes_mm)
        self._set_gaussians(g.centers + offset / g.unit_mm, covariance / g.unit_mm**2)

    def _fitted_dict(self) -> dict[str, Any]:
        return {"n_touches": self.n_touches_, **self.fit_.to_dict()}

    def _restore(self, fitted: dict[str, Any]) -> None:
        self.n_touches_ = int(fitted["n_touches"])
        self.fit_ = OffsetRegression.from_dict(fitted)


def _places(geometry: Geometry) -> Floats:
    """Key centres from -1 to 1 across and down the surface."""
    return np.asarray(geometry.centers / [geometry.width, geometry.height] * 2.0 - 1.0)


def _diagonal(geometry: Geometry) -> float:
    return float(np.hypot(geometry.width, geometry.height))


def _movements_to(touches: Labelled) -> Floats:
    """From the previous touch to the meant key, in surface diagonals; NaN for a first touch."""
    before = previous_points(touches.log)[touches.rows]
    g = touches.geometry
    return np.asarray((g.centers[touches.key] - before) / _diagonal(g))


@dataclass(frozen=True, slots=True, eq=False)
class OffsetRegression:
    """Coefficients per axis (last dimension 2; mm, log mm²), and what averages over movements need.

    `move_by_place (3, 2)` and `length_by_place (6,)` say which movements lead to which places (to
    a key on the left one mostly moves left); only what a movement differs from that counts as its
    effect. `move_covariance (2, 2)` and `length_variance` describe these differences.
    """

    place: Floats
    move: Floats
    log_variance: Floats
    log_variance_size: Floats
    log_variance_length: Floats
    size_mean: Floats
    move_by_place: Floats
    length_by_place: Floats
    move_covariance: Floats
    degree: int
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
        return {each.name: np.asarray(getattr(self, each.name)).tolist() for each in fields(self)}

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
            # keeps one outlier from bending the whole surface.
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
