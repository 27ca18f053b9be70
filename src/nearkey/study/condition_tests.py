"""Comparing conditions typed by the same participants: few tests, plain tables.

An interval of the difference says more than a p-value; both are given. Nothing here replaces a plan
made before the data: decide metric, conditions and number of participants first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import combinations
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError, StudyLogError
from nearkey.intervals import Estimate, bootstrap_mean
from nearkey.study.rates import check_metric
from nearkey.study.results import Measures, origin_line
from nearkey.text_table import estimate_text, number, p_value, text_table

__all__ = [
    "ConditionComparison",
    "ConditionComparisons",
    "RepeatedMeasures",
    "compare_conditions",
    "holm",
    "repeated_measures",
]


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Holm's step-down correction of `p_values`, each in [0, 1]; the corrected ones in the order given.

    Sorted upwards, the i-th of m (from 0) is multiplied by m - i, made non-decreasing, and capped
    at 1. Source: Holm, "A simple sequentially rejective multiple test procedure", 1979.
    """
    p = np.asarray(p_values, dtype=np.float64)
    if p.size and not bool(((p >= 0) & (p <= 1)).all()):
        raise StudyLogError("holds a number outside [0, 1]", field="p_values", fix="correct it")
    order = np.argsort(p, kind="stable")
    scaled = np.minimum(1.0, np.maximum.accumulate(p[order] * (len(p) - np.arange(len(p)))))
    out = np.empty_like(p)
    out[order] = scaled
    return tuple(float(value) for value in out)


@dataclass(frozen=True, slots=True)
class RepeatedMeasures:
    """One-way repeated-measures analysis of variance, and Friedman's test beside it.

    `f` with (`df`, `df_error`); `p` takes sphericity for granted, `p_corrected` does not
    (Greenhouse-Geisser, factor `epsilon`). `chi_square`, `p_friedman`: by ranks, without normality.
    `p_friedman` and `chi_square` are nan with two conditions, for which Wilcoxon's test stands.
    """

    f: float
    df: int
    df_error: int
    p: float
    epsilon: float
    p_corrected: float
    chi_square: float
    p_friedman: float

    def __str__(self) -> str:
        parts = [
            f"F({self.df}, {self.df_error}) = {number(self.f)}",
            f"p {p_value(self.p, relation=True)}",
            f"Greenhouse-Geisser p {p_value(self.p_corrected, relation=True)} (epsilon {number(self.epsilon, 3)})",
        ]
        if not math.isnan(self.p_friedman):
            parts.append(f"Friedman p {p_value(self.p_friedman, relation=True)}")
        return ", ".join(parts)


def repeated_measures(values: NDArray[np.float64]) -> RepeatedMeasures:
    """Test whether conditions differ. `values`: (n participants, k conditions), n ≥ 2, k ≥ 2.

    F = [SS_conditions / (k - 1)] / [SS_error / ((k - 1)(n - 1))], where SS_error is what is left
    after removing the means of participants and of conditions. Greenhouse-Geisser epsilon from the
    double-centred covariance matrix S: tr(S)² / ((k - 1) tr(S²)).
    Raises StudyLogError for too few values; NearkeyError where scipy is missing.
    Source: standard analysis of variance; Greenhouse & Geisser 1959; Friedman 1937 (from memory).
    """
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 2 or min(y.shape) < 2 or not np.isfinite(y).all():
        raise StudyLogError(
            f"has shape {y.shape}",
            field="values",
            fix="give finite numbers, at least 2 participants by 2 conditions",
        )
    stats = _scipy_stats()
    n, k = y.shape
    person = y.mean(axis=1, keepdims=True)
    treatment = y.mean(axis=0, keepdims=True)
    effect = n * float(((treatment - y.mean()) ** 2).sum())
    error = float(((y - person - treatment + y.mean()) ** 2).sum())
    df, df_error = k - 1, (k - 1) * (n - 1)
    if error > 0:
        f = (effect / df) / (error / df_error)
    else:
        f = math.inf if effect > 0 else math.nan
    centring = np.eye(k) - 1.0 / k
    spread = centring @ np.cov(y, rowvar=False) @ centring
    squares = float((spread * spread).sum())
    epsilon = float(np.trace(spread)) ** 2 / (df * squares) if squares > 0 else math.nan
    chi_square = p_friedman = math.nan
    if k > 2 and error + effect > 0:
        chi_square, p_friedman = map(float, stats.friedmanchisquare(*y.T))
    return RepeatedMeasures(
        f=f,
        df=df,
        df_error=df_error,
        p=float(stats.f.sf(f, df, df_error)),
        epsilon=epsilon,
        p_corrected=float(stats.f.sf(f, epsilon * df, epsilon * df_error)),
        chi_square=chi_square,
        p_friedman=p_friedman,
    )


@dataclass(frozen=True, slots=True)
class ConditionComparison:
    """Two conditions, paired by participant: `difference` is the mean of `second` minus `first`.

    `participants`: how many had both; `mean_first`, `mean_second`: means over them. `low`, `high`: bootstrap
    interval of the mean difference. `p`: Wilcoxon's signed-rank test, two sides; `p_holm`: corrected over all
    pairs of the table.
    """

    first: str
    second: str
    participants: int
    mean_first: float
    mean_second: float
    difference: float
    low: float
    high: float
    p: float
    p_holm: float


@dataclass(frozen=True, slots=True)
class ConditionComparisons:
    """All pairs of conditions on one metric, and the test over all conditions at once.

    `metric`: the measure; `omnibus`: the test over all conditions; `left_out`: participants without a value
    in every condition; `confidence` of the intervals; `origins`: where the logs come from.
    """

    metric: str
    pairs: tuple[ConditionComparison, ...]
    omnibus: RepeatedMeasures
    left_out: tuple[str, ...]
    confidence: float
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per pair of conditions."""
        return [{"metric": self.metric, **asdict(pair)} for pair in self.pairs]

    def __str__(self) -> str:
        heads = ("pair", "n", "first", "second", "difference", "p", "p (Holm)")
        rows = [
            (
                f"{pair.first} -> {pair.second}",
                pair.participants,
                number(pair.mean_first),
                number(pair.mean_second),
                estimate_text(Estimate(pair.difference, pair.low, pair.high)),
                p_value(pair.p),
                p_value(pair.p_holm),
            )
            for pair in self.pairs
        ]
        lines = [self.metric, text_table(heads, rows), str(self.omnibus)]
        lines.append(
            f"[..]: {100 * self.confidence:g} % bootstrap interval; p: Wilcoxon signed-rank"
        )
        if self.left_out:
            lines.append(f"without a value in every condition: {', '.join(self.left_out)}")
        if self.pairs and self.pairs[0].participants < 6:
            lines.append(
                "caution: with fewer than 6 participants Wilcoxon's p cannot fall below 0.05"
            )
        lines += origin_line(self.origins)
        return "\n".join(lines)


def compare_conditions(
    measured: Measures,
    metric: str = "wpm",
    *,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: int = 0,
) -> ConditionComparisons:
    """Compare all conditions pairwise on one metric, within participants.

    Parameters
    ----------
    measured : what `measures` returned. metric : one of `METRICS`.
    confidence, resamples, seed : of the bootstrap interval of a mean difference.

    Participants lacking a value in any condition are left out and named. Raises StudyLogError for
    an unknown metric, fewer than two conditions or two complete participants; NearkeyError where
    scipy (extra `stats`) is missing.
    Source: Wilcoxon 1945 (through `scipy.stats.wilcoxon`); Holm 1979; bootstrap see
    `bootstrap_mean`.
    """
    check_metric(metric)
    names = [str(one.condition) for one in measured.conditions]
    table: dict[str, dict[str, float]] = {}
    for group in measured.participants:
        table.setdefault(group.participant, {})[str(group.condition)] = getattr(group, metric)
    complete = {
        person: row
        for person, row in table.items()
        if all(math.isfinite(row.get(name, math.nan)) for name in names)
    }
    if len(names) < 2 or len(complete) < 2:
        raise StudyLogError(
            f"{len(names)} conditions and {len(complete)} participants with a value in each",
            field="logs",
            fix="give at least 2 of both",
        )
    stats = _scipy_stats()
    values = {name: np.array([row[name] for row in complete.values()]) for name in names}
    pairs = []
    for first, second in combinations(names, 2):
        differences = values[second] - values[first]
        mean = bootstrap_mean(differences, confidence=confidence, resamples=resamples, seed=seed)
        pairs.append(
            ConditionComparison(
                first=first,
                second=second,
                participants=len(complete),
                mean_first=sum(values[first].tolist()) / len(complete),
                mean_second=sum(values[second].tolist()) / len(complete),
                difference=mean.value,
                low=mean.low,
                high=mean.high,
                # No difference at all is no evidence; scipy has no p for it.
                p=float(stats.wilcoxon(differences).pvalue) if any(differences) else 1.0,
                p_holm=math.nan,
            )
        )
    corrected = holm([pair.p for pair in pairs])
    return ConditionComparisons(
        metric=metric,
        pairs=tuple(replace(pair, p_holm=p) for pair, p in zip(pairs, corrected, strict=True)),
        omnibus=repeated_measures(np.column_stack(list(values.values()))),
        left_out=tuple(sorted(set(table) - set(complete))),
        confidence=confidence,
        origins=measured.origins,
    )


def _scipy_stats() -> ModuleType:
    """`scipy.stats`, which only these tests need, or a NearkeyError that names the extra to install."""
    try:
        from scipy import stats
    except ImportError:
        raise NearkeyError(
            "tests between conditions need scipy", fix="pip install 'nearkey[stats]'"
        ) from None
    return stats  # type: ignore[no-any-return]
