"""Estimates with their intervals: the one place where the whole toolkit gets them from.

Which function for which values:

- a share of items that came out one way or the other: `proportion`;
- a mean over many items (words, trials): `mean`, and `paired_difference` over the same items;
- a ratio of sums over items (keystrokes per character): `ratio`, `ratio_difference`;
- a mean over people, who are few: `mean_over_people` by Student's t, or `bootstrap_mean`, which takes nothing for
  granted about their distribution and is the better with ten people or more.

`different` is how many different items stand behind the values, where a short text was typed over and over; None
where all differ. An interval is then as wide as so many independent items would make it: a word typed again tells
something new of the touches but nothing new of words, and as if it told nothing is the safe side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError

__all__ = [
    "Z95",
    "Estimate",
    "bootstrap_mean",
    "mean",
    "mean_over_people",
    "paired_difference",
    "percentile_interval",
    "proportion",
    "ratio",
    "ratio_difference",
    "rounded",
    "student_t",
]

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

    @property
    def half(self) -> float:
        """How far the upper end lies from the value: half the width of a symmetric interval."""
        return self.high - self.value


def rounded(value: float) -> float:
    """A `value` to nine digits: machines differ in the last bits of a double, results files should not."""
    return float(f"{value:.9g}")


def proportion(hits: int, n: int, *, z: float = Z95, different: int | None = None) -> Estimate:
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
    n = different or n
    scale = 1 + z * z / n
    middle = (share + z * z / (2 * n)) / scale
    half = z / scale * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    # At 0 and n hits the ends are exactly 0 and 1; rounding must not push the value outside.
    return Estimate(share, min(middle - half, share), max(middle + half, share))


def mean(values: Floats, *, z: float = Z95, different: int | None = None) -> Estimate:
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
    first: Floats, second: Floats, *, z: float = Z95, different: int | None = None
) -> Estimate:
    """Mean of first - second over the same items, normal interval on the paired differences.

    Parameters
    ----------
    first, second : (n,), of the same items in the same order.
    z : normal quantile of the interval. different : see the module.
    """
    differences = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return mean(differences, z=z, different=different)


def ratio(
    numerator: Floats, denominator: Floats, *, z: float = Z95, different: int | None = None
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
    different: int | None = None,
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
    _check_confidence(confidence)
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
    _check_confidence(confidence)
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
    _check_confidence(confidence)
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(resampled, [tail, 1.0 - tail])
    return Estimate(value, float(low), float(high))


def bootstrap_mean(
    values: Sequence[float] | Floats,
    *,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: int = 0,
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
    _check_confidence(confidence)
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


def _check_confidence(confidence: float) -> None:
    if not 0.0 < confidence < 1.0:
        raise NearkeyError(
            f"is {confidence}", field="confidence", fix="give a share between 0 and 1, as 0.95"
        )
