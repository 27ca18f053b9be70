"""Mixed-effects models of a study: persons and phrases random; condition, block and order fixed.

By restricted maximum likelihood through statsmodels (extra `stats`). What statsmodels prints are normal intervals,
which are too narrow for a handful of people; here Student's t stands in their place, with the degrees of freedom of the
stratum an effect lies in.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError, StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, student_t
from nearkey.study.condition_tests import holm
from nearkey.study.effect_sizes import scipy_stats
from nearkey.study.phrase_observations import Observations
from nearkey.study.results import origin_line
from nearkey.text_table import estimate_text, number, p_value, text_table

Floats = NDArray[np.float64]

_LEAST_RATIO = 1e-9  # statsmodels divides by variances


@dataclass(frozen=True, slots=True)
class FixedEffect:
    """One fixed effect: what it is, its `estimate` with its interval, standard error, degrees of freedom and p.

    `p_holm`: corrected over the pairs of conditions; the p itself for other effects.
    """

    name: str
    estimate: Estimate
    standard_error: float
    freedom: int
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

    def __str__(self) -> str:
        rows = [
            (
                one.name,
                estimate_text(one.estimate),
                number(one.standard_error, 3),
                one.freedom,
                p_value(one.p),
                p_value(one.p_holm),
            )
            for one in self.effects
        ]
        spreads = ", ".join(f"{name} {number(sd, 3)}" for name, sd in self.spreads.items())
        lines = [
            f"{self.metric}: mixed-effects model of {self.n} phrases",
            text_table(("effect", "estimate", "SE", "df", "p", "p (Holm)"), rows),
            f"standard deviations: {spreads}",
            f"[..]: {100 * self.confidence:g} % interval (Student's t)",
            *(f"left out: {text}" for text in self.left_out),
            *(f"caution: {text}" for text in self.cautions()),
        ]
        return "\n".join([*lines, *origin_line(self.origins)])


def fit_mixed_model(
    data: Observations,
    *,
    confidence: float = 0.95,
    origins: Sequence[str] = (),
) -> MixedEffectsFit:
    """Fit value ~ condition + log2(block) + place; random: person, phrase, person x condition, person x log2(block).

    Parameters
    ----------
    data : one row a phrase, see `observations`. confidence : of the intervals. origins : of the logs, for printing.

    Parts that the data cannot tell are left out and named: block with one block, place where it is unknown or always
    the same, phrases where none comes twice, what differs between conditions where there is one.
    Degrees of freedom are those of the stratum: for condition and place (persons - 1)(conditions - 1), less one where
    place is fitted; for block persons - 1. A variance that comes out as zero makes intervals wider, not narrower.

    Raises StudyLogError for fewer than two persons or too few rows, NearkeyError without statsmodels.
    Source: Baayen, Davidson & Bates 2008 (crossed random effects); Barr et al. 2013 (random slopes of within
    factors); Pinheiro & Bates 2000, ch. 2 (degrees of freedom by stratum); all from memory.
    """
    scipy_stats()
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec
    except ImportError:
        raise NearkeyError(
            "mixed-effects models need statsmodels", fix="pip install 'nearkey[stats]'"
        ) from None
    people, k, n = len(data.persons), len(data.conditions), len(data)
    if people < 2:
        raise StudyLogError(f"has {people} person", field="logs", fix="give at least two")
    blocks = np.log2(data.block.astype(np.float64))
    left_out = []
    columns, names = [np.ones(n)], ["intercept"]
    for c in range(1, k):
        columns.append((data.condition == c).astype(np.float64))
        names.append(data.conditions[c])
    with_block = bool(np.ptp(blocks) > 0)
    if with_block:
        columns.append(blocks)
        names.append("block (per doubling)")
    else:
        left_out.append("block: there is only one")
    if with_place := data.place is not None and bool(np.ptp(data.place) > 0):
        columns.append(np.asarray(data.place, dtype=np.float64))
        names.append("place (per place)")
    elif k > 1:
        left_out.append("place: the order is not known, or the same for all")
    random = {"person": _indicator(data.person, people)}
    if np.bincount(data.phrase).max() > 1:
        random["phrase"] = _indicator(data.phrase, len(data.phrases))
    else:
        left_out.append("phrase: none was typed twice")
    if k > 1:
        random["person x condition"] = _indicator(data.person * k + data.condition, people * k)
    if with_block:
        random["person x block"] = random["person"] * blocks[:, None]
    freedom_between = (people - 1) * (k - 1) - int(with_place)
    if (k > 1 and freedom_between < 1) or n <= len(names) + len(random):
        raise StudyLogError(
            f"{people} persons, {k} conditions and {n} phrases are too few for this model",
            field="logs",
            fix="give more of them",
        )
    design = np.column_stack(columns)
    ratios, converged = _best_ratios(design, data.value, list(random.values()))
    # statsmodels' own optimisers stop short of the best likelihood where a variance is small: it is handed the best
    # variances, and gives estimates and scale for them.
    spec = VCSpec(
        list(random),
        [[[str(i) for i in range(z.shape[1])]] for z in random.values()],
        [[z] for z in random.values()],
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks at the data with a random intercept first
        model = MixedLM(data.value, design, np.zeros(n), exog_vc=spec)
    # Variance components stand in the order of the model's names.
    order = [list(random).index(name) for name in model.exog_vc.names]
    none, told = np.zeros((0, 0)), np.maximum(ratios[order], _LEAST_RATIO)
    beta = np.asarray(model.get_fe_params(none, told)[0])
    scale = float(model.get_scale(beta, none, told))
    inverse, _ = _whitened(design, data.value, list(random.values()), ratios)
    covariance = scale * np.linalg.inv(inverse[:-1, :-1])
    spreads = {
        name: math.sqrt(float(ratio) * scale) for name, ratio in zip(random, ratios, strict=True)
    }
    spreads["residual"] = math.sqrt(scale)

    def effect(name: str, weights: Floats, freedom: int) -> FixedEffect:
        value = float(weights @ beta)
        error = math.sqrt(max(float(weights @ covariance @ weights), 0.0))
        half = student_t(confidence, freedom) * error
        p = 2.0 * float(scipy_stats().t.sf(abs(value) / error, freedom)) if error > 0 else math.nan
        return FixedEffect(name, Estimate(value, value - half, value + half), error, freedom, p, p)

    unit = np.eye(len(beta))
    unit[0] = 0.0  # as a condition, the intercept is the first, from which the others differ
    pairs = [
        effect(f"{data.conditions[i]} -> {data.conditions[j]}", unit[j] - unit[i], freedom_between)
        for i, j in combinations(range(k), 2)
    ]
    corrected = holm([one.p if one.p == one.p else 1.0 for one in pairs])
    effects = [
        FixedEffect(one.name, one.estimate, one.standard_error, one.freedom, one.p, p)
        for one, p in zip(pairs, corrected, strict=True)
    ]
    if with_block:
        effects.append(
            effect("block (per doubling)", unit[names.index("block (per doubling)")], people - 1)
        )
    if with_place:
        effects.append(
            effect("place (per place)", unit[names.index("place (per place)")], freedom_between)
        )
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


def _whitened(
    design: Floats, value: Floats, parts: Sequence[Floats], ratios: Floats
) -> tuple[Floats, float]:
    """[X y]' V^-1 [X y] and log |V|, with V = I + sum of ratio Z Z', by the inversion of a matrix as wide as all Z."""
    both = np.column_stack([design, value])
    z = np.hstack([math.sqrt(ratio) * part for ratio, part in zip(ratios, parts, strict=True)])
    return _reduced(z.T @ z, z.T @ both, both.T @ both)


def _reduced(zz: Floats, zb: Floats, bb: Floats) -> tuple[Floats, float]:
    from scipy.linalg import solve_triangular

    root = np.linalg.cholesky(np.eye(len(zz)) + zz)
    half = solve_triangular(root, zb, lower=True, check_finite=False)
    return bb - half.T @ half, 2.0 * float(np.log(np.diag(root)).sum())


def _best_ratios(design: Floats, value: Floats, parts: Sequence[Floats]) -> tuple[Floats, bool]:
    """Variances of the random parts over the residual's that make the restricted likelihood greatest; whether found.

    Source: Harville 1977 (restricted likelihood, profiled over the residual variance), from memory.
    """
    from scipy.optimize import minimize

    both = np.column_stack([design, value])
    whole = np.hstack(parts)
    zz, zb, bb = whole.T @ whole, whole.T @ both, both.T @ both
    widths = [part.shape[1] for part in parts]
    freedom = len(value) - design.shape[1]

    def loss(ratios: Floats) -> float:
        """-2 log restricted likelihood, but for constants."""
        scale = np.repeat(np.sqrt(ratios), widths)
        inside, log_det = _reduced(scale[:, None] * zz * scale, scale[:, None] * zb, bb)
        xx, xy = inside[:-1, :-1], inside[:-1, -1]
        left = float(inside[-1, -1] - xy @ np.linalg.solve(xx, xy))
        if left <= 0:
            return math.inf
        log_det += float(np.linalg.slogdet(xx)[1])
        return float(log_det + freedom * math.log(left))

    # Not of the roots: at a root of zero the slope is zero, and a search that touches it would stay.
    bounds = [(0.0, 1e4)] * len(parts)
    for start in (0.3, 1.0):
        best = minimize(loss, np.full(len(parts), start), method="L-BFGS-B", bounds=bounds)
        if best.success:
            break
    return np.asarray(best.x), bool(best.success)


def _indicator(index: NDArray[np.intp], levels: int) -> Floats:
    """(n, levels): a one in the column of each row's level."""
    out = np.zeros((len(index), levels))
    out[np.arange(len(index)), index] = 1.0
    return out
