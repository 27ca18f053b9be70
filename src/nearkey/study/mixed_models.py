"""Mixed-effects models of a study: participants and phrases random; condition, block and order fixed.

By restricted maximum likelihood (extra `stats`), in a search of our own: general optimisers of such models stop short
of the best likelihood where a variance is small. Intervals are Student's t with Satterthwaite's degrees of freedom,
since normal ones are too narrow for a handful of people.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.study.condition_tests import holm
from nearkey.study.effect_sizes import scipy_stats
from nearkey.study.phrase_observations import Observations
from nearkey.study.results import result_text
from nearkey.text_table import ResultTable, estimate_text, number, p_value

Floats = NDArray[np.float64]

_LEAST_RATIO = 1e-9  # of variances: below it one came out as zero
_NO_COVARIANCE = 1e12
_ROUNDING = (
    1e-13  # of squares: a residual variance below this share of them is what sums of them round to
)


@dataclass(frozen=True, slots=True)
class FixedEffect:
    """One fixed effect: what it is, its `estimate` with its interval, standard error, degrees of freedom and p.

    `p_holm`: corrected over the pairs of conditions; the p itself for other effects.
    """

    name: str
    estimate: Estimate
    standard_error: float
    freedom: float
    p: float
    p_holm: float


@dataclass(frozen=True, slots=True, repr=False)
class MixedEffectsFit(Tabular):
    """A fitted model of one `metric`.

    `effects`: differences of conditions (second minus first), block (per doubling of the number of the block) and
    place (per place in the order). `spreads`: standard deviation of each random part and of the residual. `n`: phrases.
    `left_out`: parts the data cannot tell, and why. `converged`: whether the fit did. `origins`: of the logs.
    """

    metric: str
    effects: tuple[FixedEffect, ...]
    spreads: dict[str, float]
    n: int
    left_out: tuple[str, ...]
    converged: bool
    confidence: float
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each fixed effect."""
        return [
            {
                "metric": self.metric,
                "effect": one.name,
                "estimate": one.estimate.value,
                "low": one.estimate.low,
                "high": one.estimate.high,
                "standard_error": one.standard_error,
                "df": one.freedom,
                "p": one.p,
                "p_holm": one.p_holm,
            }
            for one in self.effects
        ]

    def cautions(self) -> list[str]:
        """What is doubtful about the fit."""
        out = [] if self.converged else ["the fit did not converge: do not report it"]
        none = [name for name, sd in self.spreads.items() if sd < 1e-3 * max(self.spreads.values())]
        if none:
            out.append(f"no variance was found for {', '.join(none)}: too few to tell, or none")
        return out

    def table(self) -> ResultTable:
        """A row for each fixed effect, as it is printed."""
        return ResultTable(
            ("effect", "estimate", "SE", "df", "p", "p (Holm)"),
            [
                (
                    one.name,
                    estimate_text(one.estimate),
                    number(one.standard_error, 3),
                    number(one.freedom, 1),
                    p_value(one.p),
                    p_value(one.p_holm),
                )
                for one in self.effects
            ],
        )

    def notes(self) -> list[str]:
        """What stands below the table: spreads, what the brackets are, what the data cannot tell, cautions."""
        spreads = ", ".join(f"{name} {number(sd, 3)}" for name, sd in self.spreads.items())
        return [
            f"standard deviations: {spreads}",
            f"[..]: {100 * self.confidence:g} % interval (Student's t)",
            *(f"left out: {text}" for text in self.left_out),
            *(f"caution: {text}" for text in self.cautions()),
        ]

    def __str__(self) -> str:
        title = f"{self.metric}: mixed-effects model of {self.n} phrases"
        return result_text(title, self.table(), self.notes(), self.origins)


def fit_mixed_model(
    data: Observations,
    *,
    confidence: float = 0.95,
    origins: Sequence[str] = (),
) -> MixedEffectsFit:
    """Fit value ~ condition + log2(block) + place; random: person, phrase, participant x condition, participant x
    log2(block).

    Parameters
    ----------
    data : one row a phrase, see `observations`. confidence : of the intervals. origins : of the logs, for printing.

    Parts that the data cannot tell are left out and named: block with one block, place where it is unknown or always
    the same, phrases where none comes twice, what differs between conditions where there is one.
    Degrees of freedom are Satterthwaite's: in a balanced study without place (participants - 1)(conditions - 1) for a
    difference of conditions and participants - 1 for block. Where a variance comes out as zero, standard errors are
    those without the cut at zero.

    Raises StudyLogError for fewer than two participants, too few rows, and values that leave nothing to estimate, as
    where all are the same; NearkeyError without scipy.
    Source: Baayen, Davidson & Bates 2008 (crossed random effects); Barr et al. 2013 (random slopes of within
    factors); Satterthwaite 1946 and Fai & Cornelius 1996 (degrees of freedom); Stroup 2012 (no cut at zero); all from
    memory.
    """
    try:
        return _fitted(data, confidence, origins)
    except (np.linalg.LinAlgError, ZeroDivisionError):
        raise StudyLogError(
            f"{data.metric} leaves no spread for this model to estimate",
            field="metric",
            fix="choose a measure that differs from phrase to phrase",
        ) from None


def _fitted(data: Observations, confidence: float, origins: Sequence[str]) -> MixedEffectsFit:
    t = scipy_stats().t
    people, k, n = len(data.participants), len(data.conditions), len(data)
    if people < 2:
        raise StudyLogError(f"has {people} person", field="logs", fix="give at least two")
    if np.ptp(data.value) == 0:
        raise StudyLogError(
            f"{data.metric} is the same in every phrase",
            field="metric",
            fix="choose a measure that differs",
        )
    blocks = np.log2(data.block.astype(np.float64))
    left_out = []
    fixed = [np.ones(n), *(data.condition == c for c in range(1, k))]
    slopes_at = {}
    if with_block := bool(np.ptp(blocks) > 0):
        slopes_at["block (per doubling)"] = len(fixed)
        fixed.append(blocks)
    else:
        left_out.append("block: there is only one")
    if with_place := data.place is not None and bool(np.ptp(data.place) > 0):
        slopes_at["place (per place)"] = len(fixed)
        fixed.append(data.place)
    elif k > 1:
        left_out.append("place: the order is not known, or the same for all")
    random = {"participant": np.eye(people)[data.participant]}
    if np.bincount(data.phrase).max() > 1:
        random["phrase"] = np.eye(len(data.phrases))[data.phrase]
    else:
        left_out.append("phrase: none was typed twice")
    if k > 1:
        random["participant x condition"] = np.eye(people * k)[
            data.participant * k + data.condition
        ]
    if with_block:
        random["participant x block"] = random["participant"] * blocks[:, None]
    too_few = k > 1 and (people - 1) * (k - 1) - int(with_place) < 1
    if too_few or n <= len(fixed) + len(random):
        raise StudyLogError(
            f"{people} participants, {k} conditions and {n} phrases are too few for this model",
            field="logs",
            fix="give more of them",
        )
    design = np.column_stack(fixed).astype(np.float64)
    likelihood = _Likelihood(design, data.value, list(random.values()))
    ratios, converged = likelihood.best()
    beta, scale = likelihood.at(ratios).beta, likelihood.scale(ratios)
    if scale <= _ROUNDING * float(np.square(data.value).max()):
        raise ZeroDivisionError("the fixed effects explain all")
    curvature, slopes = likelihood.for_inference(ratios)
    covariance = slopes[-1]
    spreads = dict(zip(random, np.sqrt(ratios * scale).tolist(), strict=True))
    spreads["residual"] = math.sqrt(scale)

    def effect(name: str, weights: Floats) -> FixedEffect:
        value, variance = float(weights @ beta), float(weights @ covariance @ weights)
        error = math.sqrt(max(variance, 0.0))
        slope = np.array([float(weights @ one @ weights) for one in slopes])
        freedom = max(variance**2 / float(slope @ np.linalg.solve(curvature, slope)), 1.0)
        half = float(t.ppf((1 + confidence) / 2, freedom)) * error
        p = 2.0 * float(t.sf(abs(value) / error, freedom)) if error > 0 else math.nan
        return FixedEffect(name, Estimate(value, value - half, value + half), error, freedom, p, p)

    unit = np.eye(len(beta))
    unit[0] = 0.0  # as a condition, the intercept is the first, from which the others differ
    pairs = [
        effect(f"{data.conditions[i]} -> {data.conditions[j]}", unit[j] - unit[i])
        for i, j in combinations(range(k), 2)
    ]
    corrected = holm([one.p if one.p == one.p else 1.0 for one in pairs])
    effects = [replace(one, p_holm=p) for one, p in zip(pairs, corrected, strict=True)]
    effects += [effect(name, unit[at]) for name, at in slopes_at.items()]
    return MixedEffectsFit(
        metric=data.metric,
        effects=tuple(effects),
        spreads=spreads,
        n=n,
        left_out=tuple(left_out),
        converged=converged,
        confidence=confidence,
        origins=tuple(origins),
    )


class _Inside(NamedTuple):
    """What is inside the restricted likelihood at some ratios: log determinants, (X' V^-1 X)^-1, b, y' P y."""

    log_det: float
    inverse: Floats
    beta: Floats
    left: float


class _Likelihood:
    """The restricted likelihood of y ~ X b + sum of Z u, by the inversion of a matrix as wide as all Z.

    `ratios`: variances of the random parts over the residual's. Source: Harville 1977, from memory.
    """

    def __init__(self, design: Floats, value: Floats, parts: Sequence[Floats]) -> None:
        both, whole = np.column_stack([design, value]), np.hstack(parts)
        self._zz, self._zb, self._bb = whole.T @ whole, whole.T @ both, both.T @ both
        self._widths = [part.shape[1] for part in parts]
        self._freedom = len(value) - design.shape[1]

    def at(self, ratios: Floats) -> _Inside:
        """With V = I + sum of ratio Z Z'; LinAlgError where that is no covariance."""
        from scipy.linalg import solve_triangular

        scale = np.repeat(ratios, self._widths)
        size = np.sqrt(np.abs(scale))
        inner, outer = size[:, None] * self._zz * size, size[:, None] * self._zb
        if ratios.min() >= 0:
            lower = np.linalg.cholesky(np.eye(len(scale)) + inner)
            half = solve_triangular(lower, outer, lower=True, check_finite=False)
            taken, log_det = half.T @ half, 2.0 * float(np.log(np.diag(lower)).sum())
        else:
            values, vectors = np.linalg.eigh(np.diag(np.where(scale < 0, -1.0, 1.0)) + inner)
            if (values < 0).sum() != (scale < 0).sum():
                raise np.linalg.LinAlgError("not positive definite")
            turned = vectors.T @ outer
            taken, log_det = (turned.T / values) @ turned, float(np.log(np.abs(values)).sum())
        inside = self._bb - taken
        inverse, xy = np.linalg.inv(inside[:-1, :-1]), inside[:-1, -1]
        log_det -= float(np.linalg.slogdet(inverse)[1])
        left = float(inside[-1, -1] - xy @ inverse @ xy)
        return _Inside(log_det, inverse, inverse @ xy, left)

    def scale(self, ratios: Floats) -> float:
        """The residual's variance."""
        return float(self.at(ratios).left / self._freedom)

    def best(
        self, starts: Sequence[Floats | float] = (0.3, 1.0), *, least: float = 0.0
    ) -> tuple[Floats, bool]:
        """The ratios from `least` upwards that make it greatest, profiled over the residual variance; whether found."""
        from scipy.optimize import minimize

        def loss(ratios: Floats) -> float:
            try:
                inside = self.at(ratios)
            except np.linalg.LinAlgError:
                return _NO_COVARIANCE
            if inside.left <= 0:
                return _NO_COVARIANCE
            return float(inside.log_det + self._freedom * math.log(inside.left))

        # Not of the roots: at a root of zero the slope is zero, and a search that touches it would stay.
        bounds = [(least, 1e4)] * len(self._widths)
        for start in starts:
            first = np.zeros(len(bounds)) + start
            best = minimize(
                loss, first, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-12, "gtol": 1e-6}
            )
            if best.success:
                break
        return np.asarray(best.x), bool(best.success)

    def for_inference(self, ratios: Floats) -> tuple[Floats, list[Floats]]:
        """`curvature` at the best ratios where those that came out as zero may be below it, V staying a covariance.

        A variance cut at zero makes the errors of means too large in just those studies where they came out small, so
        that intervals hold too often; without the cut they are those of analysis of variance where that is exact.
        Source: Stroup, Generalized Linear Mixed Models, 2012 (from memory).
        """
        if ratios.min() <= _LEAST_RATIO:
            try:
                found = self.curvature(self.best((ratios,), least=-1.0)[0])
                np.linalg.cholesky(found[0])  # a minimum, not the edge of what is a covariance
                return found
            except np.linalg.LinAlgError:
                pass
        return self.curvature(ratios)

    def curvature(self, ratios: Floats) -> tuple[Floats, list[Floats]]:
        """Second derivatives of -2 log likelihood, and the derivatives of the covariance of b; by the ratios that are
        not zero, and the log of the residual's variance. By central differences.
        """
        free = np.flatnonzero(np.abs(ratios) > 1e-6)
        m = len(free)
        steps = np.zeros((m, len(ratios)))
        steps[np.arange(m), free] = 1e-3 * np.abs(ratios[free])
        scale = self.scale(ratios)

        def loss(at: Floats) -> float:
            inside = self.at(at)
            return inside.log_det + inside.left / scale

        second = np.zeros((m + 1, m + 1))
        slopes = []
        for i, own in enumerate(steps):
            size = own[free[i]]
            up, down = self.at(ratios + own), self.at(ratios - own)
            slopes.append(scale * (up.inverse - down.inverse) / (2 * size))
            second[i, m] = second[m, i] = -(up.left - down.left) / (2 * size) / scale
            for j, other in enumerate(steps[: i + 1]):
                corners = sum(
                    a * b * loss(ratios + a * own + b * other) for a in (1, -1) for b in (1, -1)
                )
                second[i, j] = second[j, i] = corners / (4 * size * other[free[j]])
        here = self.at(ratios)
        second[m, m] = here.left / scale
        return second, [*slopes, scale * here.inverse]
