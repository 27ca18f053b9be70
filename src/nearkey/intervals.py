"""Estimates with their intervals: the one place where the whole toolkit gets them from.

Which function for which values:

- a share of items that came out one way or the other: `proportion`;
- a mean over many items (words, trials): `mean`, and `paired_difference` over the same items;
- a ratio of sums over items (keystrokes per character): `ratio`, `ratio_difference`;
- a difference of two shares over the same items: `paired_proportions`; which of many is best, and by how much:
  `with_the_best`; many against one: `with_a_control`;
- a mean over people, who are few: `mean_over_people` by Student's t, or `bootstrap_mean`, which takes nothing for
  granted about their distribution and is the better with ten people or more.

`different` is how many different items stand behind the values, where a short text was typed over and over, or how
many independent ones tell as much (n over the design effect, where items come in groups); None where all do. An
interval is then as wide as so many independent items would make it: a word typed again tells something new of the
touches but nothing new of words, and as if it told nothing is the safe side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError
from nearkey.seeds import Seed

Z95 = 1.959963984540054
"""Normal quantile of a two-sided 95 % interval."""

# Resamples drawn at once: bounds memory, changes no result.
_CHUNK = 500

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """A value and the ends of its interval, 95 % where nothing else is said; NaN ends where there is none."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.4f} [{self.low:.4f}, {self.high:.4f}]"

    def within(self, low: float, high: float) -> Estimate:
        """The same, its interval cut to `low` and `high`: the value stays, and NaN ends stay NaN."""
        value = self.value
        return Estimate(value, max(self.low, min(low, value)), min(self.high, max(high, value)))

    @property
    def half(self) -> float:
        """How far the upper end lies from the value: half the width of a symmetric interval."""
        return self.high - self.value


def rounded(value: float) -> float:
    """A `value` to nine digits: machines differ in the last bits of a double, results files should not."""
    return float(f"{value:.9g}")


def proportion(hits: int, n: int, *, z: float = Z95, different: float | None = None) -> Estimate:
    """Share of hits with the score interval of Wilson; NaN without items.

    Parameters
    ----------
    hits, n : items of the kind counted, and all items.
    z : normal quantile of the interval. different : see the module.

    Source: Wilson, J. Am. Stat. Assoc. 22 (1927), 209-212.
    """
    if n == 0:
        return Estimate(math.nan, math.nan, math.nan)
    share = hits / n
    told = different or n
    scale = 1 + z * z / told
    middle = (share + z * z / (2 * told)) / scale
    half = z / scale * math.sqrt(share * (1 - share) / told + z * z / (4 * told * told))
    # At 0 and n hits the ends are exactly 0 and 1; rounding must not push the value outside.
    return Estimate(share, min(middle - half, share), max(middle + half, share))


def mean(values: Floats, *, z: float = Z95, different: float | None = None) -> Estimate:
    """Mean over many independent items with its normal interval; NaN ends for a single one.

    Parameters
    ----------
    values : (n,). z : normal quantile of the interval. different : see the module.

    Source: the central limit theorem; for few values see `mean_over_people`.
    """
    n = len(values)
    value = float(values.mean()) if n else math.nan
    if different is not None and different < n:
        half = z * float(values.std()) / math.sqrt(different - 1) if different > 1 else math.nan
    else:
        half = z * float(values.std(ddof=1)) / math.sqrt(n) if n > 1 else math.nan
    return Estimate(value, value - half, value + half)


def paired_difference(
    first: Floats, second: Floats, *, z: float = Z95, different: float | None = None
) -> Estimate:
    """Mean of first - second over the same items, normal interval on the paired differences.

    Parameters
    ----------
    first, second : (n,), of the same items in the same order.
    z : normal quantile of the interval. different : see the module.
    """
    differences = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return mean(differences, z=z, different=different)


def paired_proportions(
    first_only: float,
    second_only: float,
    n: float,
    *,
    z: float = Z95,
    different: float | None = None,
) -> Estimate:
    """Difference of two shares over the same items, with the score interval; NaN without items.

    Holds its confidence where few items come out differently, which the normal interval of the differences does not.

    Parameters
    ----------
    first_only, second_only : items that only the first, only the second hit. n : all items.
    z : normal quantile of the interval. different : see the module; also n over a design effect.

    Source: Tango, "Equivalence test and confidence interval for the difference in proportions for the paired-sample
    design", Statistics in Medicine 17 (1998), 891-908; solved by halving.
    """
    if n == 0:
        return Estimate(math.nan, math.nan, math.nan)
    value = (first_only - second_only) / n
    scale = (different or n) / n
    b, c, n = first_only * scale, second_only * scale, n * scale

    def score(delta: float) -> float:
        one, other = 2 * n, -b - c + (2 * n - b + c) * delta
        rest = -c * delta * (1 - delta)
        q = (math.sqrt(max(other * other - 4 * one * rest, 0.0)) - other) / (2 * one)
        variance = n * (2 * q + delta * (1 - delta))
        gap = b - c - n * delta
        return gap / math.sqrt(variance) if variance > 0 else math.copysign(math.inf, gap)

    ends = []
    for wanted, outer in ((z, -1.0), (-z, 1.0)):
        inner = value
        for _ in range(60):
            middle = (inner + outer) / 2
            if (score(middle) - wanted) * wanted < 0:
                inner = middle
            else:
                outer = middle
        ends.append((inner + outer) / 2)
    return Estimate(value, min(ends[0], value), max(ends[1], value))


def by_group(values: Floats, group: NDArray[np.int64]) -> Floats:
    """One value a group of items, with the mean of all items as their mean and the spread that groups give it.

    Parameters
    ----------
    values : (n,) or (n, k), of items that belong together by groups: words of a line, words of a person.
    group : (n,), which group each item is of.

    Returns (groups,) or (groups, k). Source: linearised cluster totals, Cochran 1977, ch. 9A.
    """
    _, index = np.unique(group, return_inverse=True)
    groups = int(index.max()) + 1 if len(index) else 0
    middle = values.mean(axis=0)
    sums = np.zeros((groups, *values.shape[1:]))
    np.add.at(sums, index, values - middle)
    return np.asarray(middle + sums * (groups / max(len(values), 1)))


def design_effect(
    values: Floats, group: NDArray[np.int64], *, different: float | None = None
) -> float:
    """How many times the variance of a mean grows since items come in groups; 1 or more.

    Parameters
    ----------
    values : (n,). group : (n,), as of `by_group`. different : see the module; the effect is against so many items.

    So many times fewer independent items would tell as much. Never below 1: an estimate below it is mostly chance.
    Source: Kish, Survey Sampling, 1965, section 5.4.
    """
    groups = by_group(values, group)
    items = len(values) if different is None else different
    alone = float(values.var()) / (items - 1) if items > 1 else 0.0
    if len(groups) < 2 or alone == 0:
        return 1.0
    return max(1.0, float(groups.var(ddof=1)) / len(groups) / alone)


class BestOf(NamedTuple):
    """One of several compared with the best of the others.

    to_best : its mean less the largest of the others', with simultaneous ends that reach 0 from the side they lie on.
    may_be_best : whether it may be the best of all at this confidence.
    """

    to_best: Estimate
    may_be_best: bool


_DRAWS = 4000
_FEW = 40


def _deviates(units: Floats, seed: Seed) -> tuple[Floats, Floats, Callable[[int], Floats]]:
    """Means (k,), standard errors of all differences (k, k), and for a column the draws (d, k) of the studentised
    errors of the differences to it.

    Draws have the covariance of the units. Where units are few, each draw is of as many units as there are and is
    studentised by its own spread, as Student's t is.
    """
    n, k = units.shape
    rng = np.random.default_rng(seed)
    centred = (units - units.mean(axis=0)) / math.sqrt(n - 1)
    spread = centred.T @ centred / n
    own = np.diagonal(spread)
    error = np.sqrt(np.maximum(own[:, None] + own - 2 * spread, 0.0))
    safe = np.where(error > 0, error, np.inf)
    if n > _FEW:
        values, vectors = np.linalg.eigh(spread)
        drawn = rng.standard_normal((_DRAWS, k)) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
        return units.mean(axis=0), error, lambda i: (drawn - drawn[:, [i]]) / safe[i]
    samples = rng.standard_normal((_DRAWS // 2, n, n)) @ centred
    means = samples.mean(axis=1)
    samples -= means[:, None]

    def studentised(i: int) -> Floats:
        away = samples - samples[:, :, [i]]
        own = np.sqrt((away**2).sum(axis=1) / (n - 1) / n)
        return np.asarray((means - means[:, [i]]) / np.where(own > 0, own, np.inf))

    return units.mean(axis=0), error, studentised


def with_the_best(units: Floats, *, confidence: float = 0.95, seed: Seed = 0) -> list[BestOf]:
    """Each of k compared with the best of the others, all at once: the more are compared, the wider the intervals.

    Parameters
    ----------
    units : (n, k), what each of n independent units (words, lines, people) says of each of the k; more is better, and
        the k share their units. Two units or more.
    confidence : of all statements together, between 0 and 1. seed : of the draws.

    With 1 - confidence or less the true best is among those that may not be the best. Raises NearkeyError for less
    than two units. Source: Hsu, "Constrained simultaneous confidence intervals for multiple comparisons with the
    best", Annals of Statistics 12 (1984), 1136-1144, the largest studentised difference to each by bootstrap with
    normal multipliers (Chernozhukov, Chetverikov & Kato, Annals of Statistics 41, 2013, 2786-2819; from memory).
    """
    check_confidence(confidence)
    _check_units(units)
    k = units.shape[1]
    if k == 1:
        value = float(units.mean())
        return [BestOf(Estimate(0.0 * value, 0.0, 0.0), True)]
    means, error, drawn = _deviates(units, seed)
    critical, upper = np.empty(k), np.empty(k)
    for i in range(k):
        others = np.arange(k) != i
        largest = drawn(i)[:, others].max(axis=1)
        critical[i] = max(float(np.quantile(largest, confidence)), 0.0)
        upper[i] = (means[i] - means[others] + critical[i] * error[i, others]).min()
    # A tie that no draw ever breaks (the same outcomes throughout) is no evidence against either.
    open_ = (upper > 0) | (means >= means.max())
    found = []
    for i in range(k):
        others = np.arange(k) != i
        rivals = np.flatnonzero(open_ & others)
        low = 0.0
        if len(rivals):
            low = float((means[i] - means[rivals] - critical[rivals] * error[i, rivals]).min())
        value = float(means[i] - means[others].max())
        found.append(
            BestOf(
                Estimate(value, min(low, 0.0, value), max(float(upper[i]), 0.0, value)),
                bool(open_[i]),
            )
        )
    return found


def with_a_control(
    units: Floats, control: int, *, confidence: float = 0.95, seed: Seed = 0
) -> list[Estimate]:
    """Differences of each of k to one of them, all intervals holding at once; that one's own is 0.

    Parameters
    ----------
    units, confidence, seed : as of `with_the_best`. control : the column all are compared with.

    Raises as `with_the_best`. Source: Dunnett, J. Am. Stat. Assoc. 50 (1955), 1096-1121, the largest studentised
    difference by bootstrap, as there.
    """
    check_confidence(confidence)
    _check_units(units)
    means, error, drawn = _deviates(units, seed)
    largest = np.abs(drawn(control)).max(axis=1)
    half = float(np.quantile(largest, confidence)) * error[control]
    return [
        Estimate(float(d), float(d - h), float(d + h))
        for d, h in zip(means - means[control], half, strict=True)
    ]


def _check_units(units: Floats) -> None:
    if units.ndim != 2 or len(units) < 2:
        raise NearkeyError(
            f"units of shape {units.shape}",
            field="units",
            fix="give two or more, each with k values",
        )


def items_to_distinguish(
    difference: Estimate, n: int, *, power: float = 0.8, z: float = Z95
) -> int | None:
    """How many items in all would tell a difference of this size from 0 so often; None for a difference of 0.

    Parameters
    ----------
    difference : seen over n items, with its interval of `z`. n : those items (words, people).
    power : how often the larger trial would tell, between 0 and 1.

    Taken that the difference seen is the true one. Source: the normal power of a mean, e.g. Cohen, Statistical Power
    Analysis, 1988 (from memory).
    """
    check_confidence(power)
    half = (difference.high - difference.low) / 2
    if difference.value == 0 or not math.isfinite(half):
        return None
    return math.ceil(n * (half / z * (z + NormalDist().inv_cdf(power)) / difference.value) ** 2)


def ratio(
    numerator: Floats, denominator: Floats, *, z: float = Z95, different: float | None = None
) -> Estimate:
    """Sum over sum, with the linearised interval of a ratio estimator.

    Parameters
    ----------
    numerator, denominator : (n,), of the same items.
    z : normal quantile of the interval. different : see the module.

    Source: Cochran, Sampling Techniques, 3rd ed. 1977, ch. 6.
    """
    value, residual = _linearised(numerator, denominator)
    half = mean(residual, z=z, different=different).half
    return Estimate(value, value - half, value + half)


def ratio_difference(
    first: Floats,
    first_base: Floats,
    second: Floats,
    second_base: Floats,
    *,
    z: float = Z95,
    different: float | None = None,
) -> Estimate:
    """Difference of two ratios of sums over the same items, linearised as in `ratio`.

    Parameters
    ----------
    first, first_base, second, second_base : (n,), numerators and denominators of the two ratios.
    z : normal quantile of the interval. different : see the module.
    """
    one, residual_one = _linearised(first, first_base)
    two, residual_two = _linearised(second, second_base)
    half = mean(residual_one - residual_two, z=z, different=different).half
    return Estimate(one - two, one - two - half, one - two + half)


def _linearised(numerator: Floats, denominator: Floats) -> tuple[float, Floats]:
    """A ratio of sums, and each item's part in its error."""
    value = float(numerator.sum() / denominator.sum())
    return value, (numerator - value * denominator) / denominator.mean()


def mean_over_people(values: Sequence[float] | Floats, *, confidence: float = 0.95) -> Estimate:
    """Mean over people, each weighing the same, with Student's t interval; NaN ends for one person.

    Parameters
    ----------
    values : (n,), one figure a person (or another whole that was drawn as one); for a paired comparison the
        differences.
    confidence : of the interval, between 0 and 1.

    Raises NearkeyError for another confidence. Source: Student, Biometrika 6 (1908), 1-25.
    """
    check_confidence(confidence)
    data = np.asarray(values, dtype=np.float64)
    n = len(data)
    value = float(data.mean()) if n else math.nan
    if n < 2:
        return Estimate(value, math.nan, math.nan)
    half = student_t(confidence, n - 1) * float(data.std(ddof=1)) / math.sqrt(n)
    return Estimate(value, value - half, value + half)


@lru_cache(maxsize=256)
def student_t(confidence: float, freedom: int) -> float:
    """The t that Student's distribution stays within, on either side, with this probability.

    Parameters
    ----------
    confidence : the probability, between 0 and 1.
    freedom : degrees of freedom, a whole number from 1.

    Raises NearkeyError for a confidence or a freedom outside these bounds.
    Source: the finite series of Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4, in the
    angle atan(t / sqrt(freedom)), solved by halving.
    """
    check_confidence(confidence)
    if freedom < 1:
        raise NearkeyError(f"is {freedom}", field="freedom", fix="give 1 or more")
    odd = freedom % 2
    places = np.arange(1, freedom // 2, dtype=np.float64)
    factors = (2 * places) / (2 * places + 1) if odd else (2 * places - 1) / (2 * places)
    low, high = 0.0, math.pi / 2
    while True:
        angle = (low + high) / 2
        if angle in (low, high):
            return math.sqrt(freedom) * math.tan(angle)
        cosine = math.cos(angle)
        series = 1.0 + float(np.cumprod(factors * cosine * cosine).sum())
        within = math.sin(angle) * series
        if odd:
            within = 2 / math.pi * (angle + (within * cosine if freedom > 1 else 0.0))
        low, high = (angle, high) if within < confidence else (low, angle)


def percentile_interval(value: float, resampled: Floats, *, confidence: float = 0.95) -> Estimate:
    """A value between the percentiles of what resampling made of it.

    Parameters
    ----------
    value : the figure itself. resampled : (n,), the same figure of each resample.
    confidence : of the interval, between 0 and 1.

    Raises NearkeyError for another confidence.
    Source: Efron & Tibshirani, An Introduction to the Bootstrap, 1993 (from memory).
    """
    check_confidence(confidence)
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(resampled, [tail, 1.0 - tail])
    return Estimate(value, float(low), float(high))


def bootstrap_mean(
    values: Sequence[float] | Floats,
    *,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: Seed = 0,
) -> Estimate:
    """Mean of independent values with its percentile bootstrap interval.

    Parameters
    ----------
    values : (n,). With fewer than two the ends are NaN: nothing can be said. With few (under ten or so) the
        interval is too narrow, as every percentile bootstrap is.
    confidence : of the interval, between 0 and 1. resamples : how many are drawn. seed : of the draws.

    Raises NearkeyError for a confidence outside (0, 1) or no resamples.
    Source: Efron & Tibshirani, An Introduction to the Bootstrap, 1993 (from memory).
    """
    check_confidence(confidence)
    if resamples < 1:
        raise NearkeyError(f"is {resamples}", field="resamples", fix="give at least 1")
    data = np.asarray(values, dtype=np.float64)
    value = sum(data.tolist()) / len(data) if len(data) else math.nan
    if len(data) < 2:
        return Estimate(value, math.nan, math.nan)
    rng = np.random.default_rng(seed)
    means = np.concatenate(
        [
            data[rng.integers(len(data), size=(min(_CHUNK, resamples - i), len(data)))].mean(axis=1)
            for i in range(0, resamples, _CHUNK)
        ]
    )
    return percentile_interval(value, means, confidence=confidence)


def check_confidence(confidence: float) -> None:
    """Refuse a `confidence` outside (0, 1): NearkeyError."""
    if not 0.0 < confidence < 1.0:
        raise NearkeyError(
            f"is {confidence}", field="confidence", fix="give a share between 0 and 1, as 0.95"
        )
