"""Effect sizes of paired differences with their intervals, and what few people cannot show whatever happens."""

from __future__ import annotations

import math
from collections.abc import Sequence
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError, StudyLogError
from nearkey.intervals import Estimate


def scipy_stats() -> ModuleType:
    """`scipy.stats`, which only these tests need, or a NearkeyError that names the extra to install."""
    try:
        from scipy import stats
    except ImportError:
        raise NearkeyError(
            "tests between conditions need scipy", fix="pip install 'nearkey[stats]'"
        ) from None
    return stats  # type: ignore[no-any-return]


def paired_effect_size(
    differences: Sequence[float] | NDArray[np.float64], *, confidence: float = 0.95
) -> Estimate:
    """Cohen's d of paired differences (d_z): their mean over their standard deviation (n - 1), with its interval.

    Parameters
    ----------
    differences : (n,), one a person, n >= 2. confidence : of the interval, between 0 and 1.

    d_z sqrt(n) is the paired t, which follows a noncentral t with noncentrality delta sqrt(n): the interval holds the
    deltas that do not make it too small or too large, exact for normal differences. Differences that are all
    the same have no d_z (NaN), all zero d_z 0 without an interval.

    Raises StudyLogError for fewer than two finite differences, NearkeyError for another confidence or without scipy.
    Source: Cohen 1988 (d_z); Steiger & Fouladi 1997 (inverting the noncentral distribution), both from memory.
    """
    data = np.asarray(differences, dtype=np.float64)
    if data.ndim != 1 or len(data) < 2 or not np.isfinite(data).all():
        raise StudyLogError(
            f"has shape {data.shape}", field="differences", fix="give two finite numbers or more"
        )
    if not 0.0 < confidence < 1.0:
        raise NearkeyError(
            f"is {confidence}", field="confidence", fix="give a share between 0 and 1, as 0.95"
        )
    spread, n = float(data.std(ddof=1)), len(data)
    if spread == 0.0:
        return Estimate(0.0 if not data.any() else math.nan, math.nan, math.nan)
    d = float(data.mean()) / spread
    nct, root, tail = scipy_stats().nct, math.sqrt(n), (1.0 - confidence) / 2.0
    t = d * root

    def bound(target: float) -> float:
        """The noncentrality under which a t below the one found has this probability; it falls as that grows."""
        low, high = t - 40.0 - abs(t), t + 40.0 + abs(t)
        for _ in range(80):
            middle = (low + high) / 2.0
            # Far out in the tails the library underflows to NaN, where the side is plain.
            below = float(nct.cdf(t, n - 1, middle))
            if math.isnan(below):
                below = float(middle < t)
            low, high = (middle, high) if below > target else (low, middle)
        return (low + high) / 2.0

    return Estimate(d, bound(1.0 - tail) / root, bound(tail) / root)


def smallest_holm_p(people: int, pairs: int) -> float:
    """The smallest p after Holm's correction that Wilcoxon's signed-rank test can reach, exact.

    people : with a difference that is not zero, all differences alike in sign. pairs : of conditions in the table.

    Of the 2^n ways to give n differences their signs one is all plus and one all minus: p = 2 / 2^n, and Holm
    multiplies the smallest of m by m. Source: Wilcoxon 1945; Holm 1979 (the count is exact).
    """
    return min(1.0, pairs * 2.0 / 2.0**people)


def people_for_holm(pairs: int, *, alpha: float = 0.05) -> int:
    """How many people it takes before `pairs` comparisons can fall below `alpha` after Holm's correction."""
    people = 1
    while smallest_holm_p(people, pairs) >= alpha:
        people += 1
    return people
