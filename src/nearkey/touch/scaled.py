"""Spread that grows with the key, over a floor that does not: the dual-distribution model."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.touch.base import OneGaussianTouch, check_background, fitted_arrays
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label_all
from nearkey.touch.sufficient_statistics import KeyStats, check_spread
from nearkey.touch.touch_log import TouchLog

if TYPE_CHECKING:
    from nearkey.layout import Layout

__all__ = ["SizeScaledTouch", "fit_size_scaling"]

Floats = NDArray[np.float64]


class SizeScaledTouch(OneGaussianTouch):
    """Variance = alpha * size² + sigma_a² per axis, with one offset for all keys.

    A touch is the sum of two independent normals: one that a speed-accuracy bargain scales with
    the key (alpha), and the finger's absolute precision (sigma_a), which no key size improves.
    Model: Bi, Li & Zhai, "FFitts law", CHI 2013, and Bi & Zhai 2016 (form of the variance: value
    from memory). Fitted by maximum likelihood; lengths in millimetres, so that touches on some
    layouts give every other one, of other key sizes, its distribution (`for_layout`).

    Parameters
    ----------
    sigma_a_mm : "auto" learns it, which takes keys of at least two sizes per axis. With one size
        the two parts cannot be told apart: all of the spread is then taken as absolute (alpha 0,
        the cautious reading: smaller keys get no narrower spread) and `one_size_` names the
        axes. A number, measured elsewhere, fixes sigma_a for both axes.
    background : share of wild touches, spread evenly over the surface.

    Attributes: alpha_ `(2,)`, sigma_a_mm_ `(2,)`, offset_mm_ `(2,)`, correlation_, one_size_,
    means_, covariances_.
    """

    kind = "size-scaled"

    def __init__(
        self, *, sigma_a_mm: float | Literal["auto"] = "auto", background: float = 0.01
    ) -> None:
        self.sigma_a_mm = sigma_a_mm
        self.background = background

    def fit(
        self,
        log: TouchLog | Sequence[TouchLog],
        layout: Layout | Geometry | Sequence[Layout | Geometry],
    ) -> Self:
        """Learn from a log on a layout, or from several logs each on its own layout.

        The model's keys are those of the (first) layout. Raises TouchDataError for fewer than
        three labelled touches or none with spread, TouchModelError for bad parameters.
        """
        check_background(self.background)
        s = self.sigma_a_mm
        if s != "auto" and not (isinstance(s, int | float) and np.isfinite(s) and s >= 0):
            raise TouchModelError(
                f"is {s!r}", field="sigma_a_mm", fix='give "auto" or millimetres from 0'
            )
        parts = label_all(log, layout)
        offsets = np.vstack([p.offsets * p.geometry.unit_mm for p in parts])
        sizes = np.vstack([p.geometry.sizes[p.key] * p.geometry.unit_mm for p in parts])
        everything = KeyStats.of(np.zeros(len(offsets), dtype=np.intp), offsets, 1)
        check_spread(everything, 3, parts[0].log.where)
        self.geometry_ = parts[0].geometry
        self.n_touches_ = len(offsets)
        self.offset_mm_ = offsets.mean(axis=0)
        residual = offsets - self.offset_mm_
        alpha, sigma_a, one_size = np.empty(2), np.empty(2), []
        for axis, name in enumerate("xy"):
            # Sizes that differ by less than a micrometre are one size.
            size, group = np.unique(sizes[:, axis].round(3), return_inverse=True)
            n = np.bincount(group).astype(np.float64)
            square = np.bincount(group, weights=residual[:, axis] ** 2) / n
            fixed = None if s == "auto" else float(s)
            if len(size) == 1 and fixed is None:
                one_size.append(name)
                fixed = float(np.sqrt(square[0]))
            alpha[axis], variance = fit_size_scaling(size, n, square, sigma_a_mm=fixed)
            sigma_a[axis] = np.sqrt(variance)
        self.alpha_, self.sigma_a_mm_ = alpha, sigma_a
        self.one_size_ = tuple(one_size)
        standard = residual / np.sqrt(alpha * sizes**2 + sigma_a**2)
        self.correlation_ = float(np.clip(np.corrcoef(standard.T)[0, 1], -0.99, 0.99))
        self._finish()
        return self

    def for_layout(self, layout: Layout | Geometry) -> Self:
        """The model on any other layout, its spread following that layout's key sizes."""
        self._fitted()
        model = copy.copy(self)
        model.geometry_ = geometry_of(layout)
        model._finish()
        return model

    def _finish(self) -> None:
        g = self.geometry_
        sizes_mm = g.sizes * g.unit_mm
        sd = np.sqrt(self.alpha_ * sizes_mm**2 + self.sigma_a_mm_**2) / g.unit_mm
        shape = np.array([[1.0, self.correlation_], [self.correlation_, 1.0]])
        self._set_gaussians(
            g.centers + self.offset_mm_ / g.unit_mm, sd[:, :, None] * sd[:, None, :] * shape
        )

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "alpha": self.alpha_.tolist(),
            "sigma_a_mm": self.sigma_a_mm_.tolist(),
            "offset_mm": self.offset_mm_.tolist(),
            "correlation": self.correlation_,
            "n_touches": self.n_touches_,
            "one_size": list(self.one_size_),
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        self.alpha_, self.sigma_a_mm_, self.offset_mm_ = fitted_arrays(
            fitted, alpha=(2,), sigma_a_mm=(2,), offset_mm=(2,)
        )
        self.correlation_ = float(fitted["correlation"])
        self.n_touches_ = int(fitted["n_touches"])
        self.one_size_ = tuple(str(name) for name in fitted["one_size"])
        self._finish()


def fit_size_scaling(
    size_mm: Floats, n: Floats, mean_square: Floats, *, sigma_a_mm: float | None = None
) -> tuple[float, float]:
    """Maximum-likelihood (alpha, sigma_a²) of mean squared offsets per key size, neither below 0.

    `size_mm`, `n` touches and `mean_square` (in mm²) are `(m,)`; `sigma_a_mm` fixes the floor.
    Maximises the sum of -n/2 (log v + mean_square / v), v = alpha size² + sigma_a², by Fisher
    scoring: weighted least squares of mean_square on size² with weights n / v².
    """
    squares = size_mm**2
    total = float((n * mean_square).sum() / n.sum())
    tiny = 1e-9 * total
    fixed = None if sigma_a_mm is None else sigma_a_mm**2
    alpha = 0.5 * total / float(squares.mean())
    floor = 0.5 * total if fixed is None else fixed
    for _ in range(200):
        w = n / (alpha * squares + floor) ** 2
        if fixed is None:
            mean_x = float((w * squares).sum() / w.sum())
            mean_y = float((w * mean_square).sum() / w.sum())
            spread = float((w * (squares - mean_x) ** 2).sum())
            slope = float((w * (squares - mean_x) * mean_square).sum()) / spread
            new = max(slope, tiny / float(squares.max())), max(mean_y - slope * mean_x, tiny)
        else:
            top = float((w * squares * (mean_square - fixed)).sum())
            new = max(top / float((w * squares**2).sum()), tiny / float(squares.max())), fixed
        done = abs(new[0] - alpha) <= 1e-12 * alpha and abs(new[1] - floor) <= 1e-12 * total
        alpha, floor = new
        if done:
            break
    # On the border of what is possible the likelihood has a closed-form maximum.
    if fixed is None:
        border = [(0.0, total), (float((n * mean_square / squares).sum() / n.sum()), 0.0)]
    else:
        border = [(0.0, fixed)] if fixed > 0 else []

    def log_likelihood(candidate: tuple[float, float]) -> float:
        v = candidate[0] * squares + candidate[1]
        return float(-0.5 * (n * (np.log(v) + mean_square / v)).sum())

    best = alpha, floor
    for candidate in border:
        if log_likelihood(candidate) > log_likelihood(best) - 1e-9 * float(n.sum()):
            best = candidate
    return best
