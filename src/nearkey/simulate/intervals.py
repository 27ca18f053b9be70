"""Estimates with 95 % intervals.

`different` is how many different running words stand behind the values, where a short text was typed over and over;
None where all are. An interval is then as wide as so many independent words would make it: a word typed again tells
something new of the touches but nothing new of words, and as if it told nothing is the safe side.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Z95",
    "Estimate",
    "paired_difference",
    "proportion",
    "ratio",
    "ratio_difference",
    "rounded",
]

Z95 = 1.959963984540054
"""Normal quantile of a two-sided 95 % interval."""

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """A value and the ends of its 95 % interval."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.4f} [{self.low:.4f}, {self.high:.4f}]"


def rounded(value: float) -> float:
    """A figure to nine digits: machines differ in the last bits of a double, results files should not."""
    return float(f"{value:.9g}")


def proportion(hits: int, n: int, *, z: float = Z95, different: int | None = None) -> Estimate:
    """Share of hits with the score interval of Wilson (J. Am. Stat. Assoc. 22, 1927, 209-212)."""
    if n == 0:
        return Estimate(math.nan, math.nan, math.nan)
    share = hits / n
    n = different or n
    scale = 1 + z * z / n
    middle = (share + z * z / (2 * n)) / scale
    half = z / scale * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    # At 0 and n hits the ends are exactly 0 and 1; rounding must not push the value outside.
    return Estimate(share, min(middle - half, share), max(middle + half, share))


def paired_difference(
    first: Floats, second: Floats, *, z: float = Z95, different: int | None = None
) -> Estimate:
    """Mean of first - second over the same words, normal interval on the paired differences."""
    differences = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return _mean(differences, z, different)


def ratio(
    numerator: Floats, denominator: Floats, *, z: float = Z95, different: int | None = None
) -> Estimate:
    """Sum over sum, with the linearised interval of a ratio estimator (Cochran, Sampling Techniques, ch. 6)."""
    value = float(numerator.sum() / denominator.sum())
    residual = (numerator - value * denominator) / denominator.mean()
    spread = _mean(residual, z, different)
    half = spread.high - spread.value
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
    """Difference of two ratios over the same words, linearised."""
    one, two = first.sum() / first_base.sum(), second.sum() / second_base.sum()
    residual = (first - one * first_base) / first_base.mean() - (
        second - two * second_base
    ) / second_base.mean()
    spread = _mean(residual, z, different)
    half = spread.high - spread.value
    value = float(one - two)
    return Estimate(value, value - half, value + half)


def _mean(values: Floats, z: float, different: int | None) -> Estimate:
    n = len(values)
    mean = float(values.mean()) if n else math.nan
    if different is not None and different < n:
        half = z * float(values.std()) / math.sqrt(different - 1) if different > 1 else math.nan
    else:
        half = z * float(values.std(ddof=1)) / math.sqrt(n) if n > 1 else math.nan
    return Estimate(mean, mean - half, mean + half)
