"""Comparing conditions typed by the same participants: few tests, plain tables.

An interval of the difference says more than a p-value; both are given. Nothing here replaces a plan
made before the data: decide metric, conditions and number of participants first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.seeds import Seed, seed_number
from nearkey.study.effect_sizes import (
    contrasts,
    paired_effect_size,
    people_for_holm,
    scipy_stats,
    smallest_holm_p,
    within_persons,
)
from nearkey.study.rates import check_metric
from nearkey.study.results import (
    INTERVAL_NAMES,
    IntervalKind,
    Measures,
    check_interval,
    over_people,
    result_text,
)
from nearkey.text_table import ResultTable, estimate_text, number, p_value


def holm(p_values: Sequence[float] | NDArray[np.float64]) -> tuple[float, ...]:
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
    (Greenhouse-Geisser, factor `epsilon`). `partial_eta_squared`: SS_conditions / (SS_conditions + SS_error), `effect`:
    the same with its interval. `chi_square`, `p_friedman`: by ranks, without normality; nan with two conditions, for
    which Wilcoxon's test stands.
    """

    f: float
    df: int
    df_error: int
    p: float
    epsilon: float
    p_corrected: float
    chi_square: float
    p_friedman: float
    effect: Estimate

    @property
    def partial_eta_squared(self) -> float:
        """The value of `effect`."""
        return self.effect.value

    def __str__(self) -> str:
        parts = [
            f"F({self.df}, {self.df_error}) = {number(self.f)}",
            f"p {p_value(self.p, relation=True)}",
            f"partial eta² {estimate_text(self.effect, 3)}",
            f"Greenhouse-Geisser p {p_value(self.p_corrected, relation=True)} (epsilon {number(self.epsilon, 3)})",
        ]
        if not math.isnan(self.p_friedman):
            parts.append(f"Friedman p {p_value(self.p_friedman, relation=True)}")
        return ", ".join(parts)


def repeated_measures(values: NDArray[np.float64], *, confidence: float = 0.95) -> RepeatedMeasures:
    """Test whether conditions differ. `values`: (n participants, k conditions), n ≥ 2, k ≥ 2.

    confidence : of the interval of the effect size. See `within_persons` and `FTest.effect_size`.
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
    k = y.shape[1]
    # Less the person's mean first: conditions that are all the same then give contrasts of exactly zero.
    test = within_persons((y - y.mean(axis=1, keepdims=True)) @ contrasts(k))
    chi_square = p_friedman = math.nan
    if k > 2 and not math.isnan(test.f):
        chi_square, p_friedman = map(float, scipy_stats().friedmanchisquare(*y.T))
    return RepeatedMeasures(
        **test._asdict(),
        chi_square=chi_square,
        p_friedman=p_friedman,
        effect=test.effect_size(confidence=confidence),
    )


@dataclass(frozen=True, slots=True)
class ConditionComparison:
    """Two conditions, paired by participant: `difference` is the mean of `second` minus `first`.

    `participants`: how many had both; `mean_first`, `mean_second`: means over them. `low`, `high`: interval of the mean
    difference. `p`: Wilcoxon's signed-rank test, two sides; `p_t`: the paired t test, which belongs to the t
    interval; `p_holm`, `p_t_holm`: corrected over all pairs of the table. `effect`: d_z with its interval, see
    `paired_effect_size`.
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
    p_t: float
    p_t_holm: float
    effect: Estimate


@dataclass(frozen=True, slots=True, repr=False)
class ConditionComparisons(Tabular):
    """All pairs of conditions on one metric, and the test over all conditions at once.

    `metric`: the measure; `omnibus`: the test over all conditions; `left_out`: participants without a value
    in every condition; `confidence` and kind (`interval`) of the intervals; `origins`: where the logs come from.
    """

    metric: str
    pairs: tuple[ConditionComparison, ...]
    omnibus: RepeatedMeasures
    left_out: tuple[str, ...]
    confidence: float
    origins: tuple[str, ...]
    interval: IntervalKind = "t"

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per pair of conditions."""
        return [
            {
                "metric": self.metric,
                **{name: value for name, value in asdict(pair).items() if name != "effect"},
                "effect": pair.effect.value,
                "effect_low": pair.effect.low,
                "effect_high": pair.effect.high,
            }
            for pair in self.pairs
        ]

    def cautions(self, *, alpha: float = 0.05) -> list[str]:
        """What these comparisons could not have shown whatever people did, exactly, at the level `alpha`."""
        if not self.pairs:
            return []
        n, m = self.pairs[0].participants, len(self.pairs)
        least = smallest_holm_p(n, m)
        if least < alpha:
            return []
        corrected = " after Holm's correction" if m > 1 else ""
        which = "no pair can fall" if m > 1 else "it cannot fall"
        return [
            f"with {n} participants and {m} pair{'s' if m > 1 else ''} the smallest p of Wilcoxon's test{corrected} "
            f"is {least:.4f}: {which} below {alpha:g} whatever happens; it takes "
            f"{people_for_holm(m, alpha=alpha)} participants"
        ]

    def table(self) -> ResultTable:
        """A row for each pair, as it is printed."""
        return ResultTable(
            ("pair", "n", "first", "second", "difference", "d", "p (t)", "Holm", "p (W)", "Holm"),
            [
                (
                    f"{pair.first} -> {pair.second}",
                    pair.participants,
                    number(pair.mean_first),
                    number(pair.mean_second),
                    estimate_text(Estimate(pair.difference, pair.low, pair.high)),
                    estimate_text(pair.effect),
                    *map(p_value, (pair.p_t, pair.p_t_holm, pair.p, pair.p_holm)),
                )
                for pair in self.pairs
            ],
        )

    def notes(self) -> list[str]:
        """What stands below the table: the test over all conditions, the brackets, who is missing, cautions."""
        lines = [
            str(self.omnibus),
            f"[..]: {100 * self.confidence:g} % interval ({INTERVAL_NAMES[self.interval]}; of d: noncentral t; of "
            "eta²: noncentral F); p: paired t test (t) and Wilcoxon signed-rank (W)",
        ]
        if self.left_out:
            lines.append(f"without a value in every condition: {', '.join(self.left_out)}")
        return [*lines, *(f"caution: {text}" for text in self.cautions())]

    def __str__(self) -> str:
        return result_text(self.metric, self.table(), self.notes(), self.origins)


def compare_conditions(
    measured: Measures,
    metric: str = "wpm",
    *,
    confidence: float = 0.95,
    interval: IntervalKind = "t",
    resamples: int = 2000,
    seed: Seed = 0,
) -> ConditionComparisons:
    """Compare all conditions pairwise on one metric, within participants.

    Parameters
    ----------
    measured : what `measures` returned. metric : one of `METRICS`.
    confidence : of the intervals. interval : of a mean difference, "t" or "bootstrap". resamples, seed : of the
        bootstrap.

    Participants lacking a value in any condition are left out and named. Raises StudyLogError for
    an unknown metric, fewer than two conditions or two complete participants; NearkeyError where
    scipy (extra `stats`) is missing.
    Source: Student 1908 (`scipy.stats.ttest_1samp` of the differences); Wilcoxon 1945 (through `scipy.stats.wilcoxon`);
    Holm 1979; bootstrap see `bootstrap_mean`; d_z see `paired_effect_size`.
    """
    seed = seed_number(seed)
    check_metric(metric)
    check_interval(interval)
    names = measured.condition_names
    complete = measured.complete(metric)
    if len(names) < 2 or len(complete) < 2:
        raise StudyLogError(
            f"{len(names)} conditions and {len(complete)} participants with a value in each",
            field="logs",
            fix="give at least 2 of both",
        )
    wilcoxon = scipy_stats().wilcoxon
    values = {name: np.array([row[name] for row in complete.values()]) for name in names}
    compared = {(a, b): values[b] - values[a] for a, b in combinations(names, 2)}
    # No difference at all is no evidence; scipy has no p for it.
    p = [float(wilcoxon(one).pvalue) if any(one) else 1.0 for one in compared.values()]
    p_t = [_paired_t(one) for one in compared.values()]
    found = zip(compared.items(), p, holm(p), p_t, holm(p_t), strict=True)
    pairs = []
    for ((first, second), differences), own_p, p_holm, own_p_t, p_t_holm in found:
        mean = over_people(
            differences.tolist(),
            confidence=confidence,
            interval=interval,
            resamples=resamples,
            seed=seed,
        )
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
                p=own_p,
                p_holm=p_holm,
                p_t=own_p_t,
                p_t_holm=p_t_holm,
                effect=paired_effect_size(differences, confidence=confidence),
            )
        )
    return ConditionComparisons(
        metric=metric,
        pairs=tuple(pairs),
        omnibus=repeated_measures(np.column_stack(list(values.values())), confidence=confidence),
        left_out=tuple(sorted(set(measured.by_participant(metric)) - set(complete))),
        confidence=confidence,
        origins=measured.origins,
        interval=interval,
    )


def _paired_t(differences: NDArray[np.float64]) -> float:
    """p of the paired t test, two sides; 1 for no difference at all, 0 for one that is the same for all."""
    if np.ptp(differences) == 0.0:
        return 0.0 if differences.any() else 1.0
    return float(scipy_stats().ttest_1samp(differences, 0.0).pvalue)
