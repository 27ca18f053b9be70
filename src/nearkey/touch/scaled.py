"""Spread that grows with the key, over a floor that does not: the dual-distribution model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, Self

import numpy as np

from nearkey.touch.base import TouchBase, background_parameter, parameter
from nearkey.touch.key_geometry import AnyLayout, Floats
from nearkey.touch.labelling import label_all
from nearkey.touch.model_files import fitted_arrays
from nearkey.touch.touch_log import TouchLog


@dataclass(eq=False, kw_only=True)
class SizeScaledTouch(TouchBase):
    """Variance = alpha * size² + sigma_a² per axis, with one offset for all keys.

    A touch is the sum of two independent normals: one that a speed-accuracy bargain scales with
    the key (alpha), and the finger's absolute precision (sigma_a), which no key size improves.
    Model: Bi, Li & Zhai, "FFitts law", CHI 2013, and Bi & Zhai 2016 (form of the variance: value
    from memory). Fitted by maximum likelihood; lengths in millimetres, so that touches on some
    layouts give every other one, of other key sizes, its distribution (`for_layout`).

    Parameters
    ----------
    sigma_a_mm : "auto" learns it, which takes keys of at least two sizes per axis. With one size
        the two parts cannot be distinguished: all of the spread is then taken as absolute (alpha 0,
        the cautious reading: smaller keys get no narrower spread) and `one_size_` names the
        axes. A number, measured elsewhere, fixes sigma_a for both axes.
    background : share of outliers, spread evenly over the surface.

    Attributes
    ----------
    alpha_ `(2,)`, sigma_a_mm_ `(2,)`, offset_mm_ `(2,)`, correlation_, one_size_, n_touches_; means_ `(n_keys, 2)`,
    covariances_ `(n_keys, 2, 2)` in layout units.
    """

    kind: ClassVar[str] = "size-scaled"
    in_millimetres: ClassVar[bool] = True

    sigma_a_mm: float | Literal["auto"] = parameter(
        "auto", 'give "auto" or millimetres from 0', lambda sigma: sigma >= 0, auto=True
    )
    background: float = background_parameter()

    def fit(
        self, log: TouchLog | Sequence[TouchLog], layout: AnyLayout | Sequence[AnyLayout]
    ) -> Self:
        """Learn from a log on a layout, or from several logs each on its own layout.

        The model's keys are those of the (first) layout. Raises TouchDataError for fewer than
        three labelled touches or none with spread, TouchModelError for bad parameters.
        """
        self._check_params()
        parts = label_all(log, layout, least=3)
        offsets = np.vstack([part.offsets_mm for part in parts])
        sizes = np.vstack([part.sizes_mm for part in parts])
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
            fixed = None if self.sigma_a_mm == "auto" else float(self.sigma_a_mm)
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

    def _finish(self) -> None:
        g = self.geometry_
        sd = np.sqrt(self.alpha_ * g.sizes_mm**2 + self.sigma_a_mm_**2) / g.unit_mm
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


def fit_size_scaling(
    size_mm: Floats, n: Floats, mean_square: Floats, *, sigma_a_mm: float | None = None
) -> tuple[float, float]:
    """Maximum-likelihood (alpha, sigma_a²) of mean squared offsets per key size, neither below 0.

    Parameters
    ----------
    size_mm, n, mean_square : `(m,)`, the sizes, their touches, and mean squared offsets in mm².
    sigma_a_mm : the floor, where it is known.

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
