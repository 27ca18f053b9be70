"""Touches in units of the finger that made them."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, Self

import numpy as np

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.touch.base import TouchBase, parameter, restored_model
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.key_geometry import AnyLayout, Flags, Floats, Indices
from nearkey.touch.labelling import Labelled, label
from nearkey.touch.sufficient_statistics import KeyStats
from nearkey.touch.touch_log import TouchLog


@dataclass(eq=False, kw_only=True)
class FingerTouch(TouchBase):
    """A base model fitted on offsets divided by each person's finger width, and scaled back.

    Offsets from key centres are divided by factor = (width / reference)^exponent before fitting;
    `for_width(w)` multiplies the base model's offsets and spreads by the factor of w, so that
    layouts can be ranked for a small or a large finger. By itself the model speaks for a finger of
    the reference width.

    Parameters
    ----------
    base : an unfitted GaussianTouch (default), PooledTouch, MixtureTouch or StudentTouch.
    exponent : 1 takes spread as proportional to width, 0 as independent of it. "auto" learns it:
        the slope of log spread on log width over people, shrunk towards 0 by its standard error
        and kept within 0 and 1; with fewer than three people or one width there is no slope, and
        1 is taken.
    reference_mm : "auto" is the median over people.

    Attributes
    ----------
    exponent_, reference_mm_, base_ (fitted, for the reference width), factors_ (per person, the factor the touches
    were divided by); means_ `(n_keys, 2)`, covariances_ `(n_keys, 2, 2)` for the reference width, in layout units.
    """

    kind: ClassVar[str] = "finger"

    base: TouchBase | None = field(default=None, kw_only=False)
    exponent: float | Literal["auto"] = parameter(
        1.0, 'give "auto" or a number from 0', lambda exponent: exponent >= 0, auto=True
    )
    reference_mm: float | Literal["auto"] = parameter(
        "auto", 'give "auto" or millimetres above 0', lambda width: width > 0, auto=True
    )

    def fit(self, log: TouchLog, layout: AnyLayout) -> Self:
        """Learn from the labelled touches of a log with finger widths.

        Raises TouchDataError when the column width_mm is missing or a labelled touch has none,
        and as the base model does; TouchModelError for bad parameters.
        """
        self._check_params()
        touches = label(log, layout)
        g = touches.geometry
        widths = _widths(touches)
        people, first, who = np.unique(
            log.participant[touches.rows], return_index=True, return_inverse=True
        )
        reference, exponent = self.reference_mm, self.exponent
        if reference == "auto":
            reference = float(np.median(widths[first]))
        if exponent == "auto":
            exponent = _learn_exponent(touches.offsets, who, widths, len(people))
        factor = (widths / reference) ** exponent
        points = touches.log.points
        points[touches.rows] = g.centers[touches.key] + touches.offsets / factor[:, None]
        base = GaussianTouch() if self.base is None else copy.deepcopy(self.base)
        self.base_ = base.fit(touches.log.with_points(points), g)
        self.geometry_ = g
        self.reference_mm_ = float(reference)
        self.exponent_ = float(exponent)
        self.factors_ = {str(name): float(factor[i]) for name, i in zip(people, first, strict=True)}
        self._finish()
        return self

    def factor(self, width_mm: float) -> float:
        """What a finger of this width does to offsets and spreads, against the reference.

        Raises TouchModelError for a width that is not above 0.
        """
        self._fitted()
        if not (np.isfinite(width_mm) and width_mm > 0):
            raise TouchModelError(
                f"is {width_mm}", field="width_mm", fix="give millimetres above 0"
            )
        return float((width_mm / self.reference_mm_) ** self.exponent_)

    def for_width(self, width_mm: float) -> TouchBase:
        """The base model for a finger of this width: a plain touch model, ready for the decoder.

        Raises TouchModelError for a width that is not above 0, or a base model that cannot be scaled.
        """
        factor = self.factor(width_mm)
        model = copy.copy(self.base_)
        model._stretch(factor)
        model._finish()
        return model

    def log_prob_of(self, touches: Labelled) -> Floats:
        """`log_prob` with each touch's own finger width."""
        out = np.empty((len(touches.rows), self._fitted().n_keys))
        for rows, model in self._by_width(touches):
            out[rows] = model.log_prob(touches.points[rows])
        return out

    def inside_of(self, touches: Labelled, coverage: float) -> Flags:
        """Which touches lie in their key's ellipse of this coverage for their finger's width."""
        out = np.empty(len(touches.rows), dtype=np.bool_)
        for rows, model in self._by_width(touches):
            out[rows] = model.inside(touches.points[rows], touches.key[rows], coverage)
        return out

    def _by_width(self, touches: Labelled) -> Iterator[tuple[Flags, Any]]:
        """The touches of each finger width, and the model for it."""
        widths = _widths(touches)
        for width in np.unique(widths).tolist():
            yield widths == width, self.for_width(width)

    def _mixtures(self) -> tuple[Floats, Floats, Floats]:
        return self.base_._mixtures()

    def _finish(self) -> None:
        base = self.base_
        self.background, self.dof_ = base.background, base.dof_
        self.means_, self.covariances_ = base.means_, base.covariances_

    def _reorder(self, order: Indices) -> None:
        self.base_ = copy.copy(self.base_)
        self.base_.geometry_ = self.geometry_
        self.base_._reorder(order)
        self.base_._finish()

    def _fitted_dict(self) -> dict[str, Any]:
        return {
            "exponent": self.exponent_,
            "reference_mm": self.reference_mm_,
            "factors": self.factors_,
            "base": {**self.base_._to_dict(), "fitted": self.base_._fitted_dict()},
        }

    def _restore(self, fitted: dict[str, Any]) -> None:
        self.exponent_ = float(fitted["exponent"])
        self.reference_mm_ = float(fitted["reference_mm"])
        self.factors_ = {str(k): float(v) for k, v in fitted["factors"].items()}
        self.base_ = restored_model(fitted["base"], self.geometry_)


def _widths(touches: Labelled) -> Floats:
    column, problem, field_name = touches.log.width_mm, "column is missing", "width_mm"
    if column is not None:
        widths = np.asarray(column[touches.rows])
        missing = touches.rows[np.isnan(widths)]
        if not len(missing):
            return widths
        problem, field_name = "is empty", f"row {missing[0] + 1}, width_mm"
    raise TouchDataError(
        problem,
        where=touches.log.where,
        field=field_name,
        fix="log each person's finger width in millimetres",
    )


def _learn_exponent(offsets: Floats, who: Indices, widths: Floats, n_people: int) -> float:
    """Slope of log spread on log width over people, shrunk, from 0 to 1."""
    stats = KeyStats.of(who, offsets, n_people)
    width = np.bincount(who, widths, n_people) / stats.n
    square = np.trace(stats.scatter, axis1=1, axis2=2) / stats.n
    used = square > 0
    if used.sum() < 3 or np.ptp(np.log(width)) < 1e-9:
        return 1.0
    x, y = np.log(width[used]), 0.5 * np.log(square[used])
    x, y = x - x.mean(), y - y.mean()
    slope = float(x @ y / (x @ x))
    variance = float(((y - slope * x) ** 2).sum() / max(len(x) - 2, 1) / (x @ x))
    # Shrunk by its own standard error: a few people make a slope out of chance.
    shrunk = slope * max(0.0, 1.0 - variance / max(slope**2, 1e-300))
    return float(np.clip(shrunk, 0.0, 1.0))
