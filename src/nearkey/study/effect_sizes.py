"""Effect sizes with their intervals, what few people cannot show whatever happens, and F tests with their effects."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from itertools import count
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import StudyLogError
from nearkey.extras import library
from nearkey.intervals import Estimate, check_confidence
from nearkey.text_table import ResultTable, estimate_text, number, p_value

Floats = NDArray[np.float64]

_LARGE_T = 1e4  # above it the library's noncentral t takes long, or gives none


def scipy_stats() -> Any:
    """`scipy.stats`, which only these tests need, or a NearkeyError that names the extra to install."""
    return library("scipy", extra="stats", needs="tests between conditions need scipy").stats


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
    check_confidence(confidence)
    spread, n = float(data.std(ddof=1)), len(data)
    if spread == 0.0:
        return Estimate(0.0 if not data.any() else math.nan, math.nan, math.nan)
    d, root = float(data.mean()) / spread, math.sqrt(n)
    t, stats = d * root, scipy_stats()

    def below(delta: float) -> float:
        # Far out the library takes seconds, or underflows to NaN. A normal value plus delta is less than t times a
        # chi over the root of its freedom; there the normal value has no weight.
        found = math.nan if abs(t) > _LARGE_T else float(stats.nct.cdf(t, n - 1, delta))
        if math.isnan(found) and t:
            chi = stats.chi.sf if t > 0 else stats.chi.cdf
            return float(chi(delta / t * math.sqrt(n - 1), n - 1))
        return found

    ends = _noncentralities(below, -math.inf, t, 40.0 + abs(t), confidence)
    return Estimate(d, *(end / root for end in ends))


def partial_eta_squared(
    f: float, df: int, df_error: int, *, epsilon: float = 1.0, confidence: float = 0.95
) -> Estimate:
    """Partial eta squared of an F test, SS_effect / (SS_effect + SS_error), with its interval.

    Parameters
    ----------
    f, df, df_error : the F and its degrees of freedom. epsilon : what these are multiplied with where sphericity does
        not hold, see `huynh_feldt`. confidence : of the interval, between 0 and 1.

    The interval holds the noncentralities L under which an F like this is neither too small nor too large, each as
    L / (L + df + df_error + 1): exact for normal values with sphericity. The value itself, what the squares of this
    sample share, lies too high on average, and where F is near 1 it may lie above its interval. NaN for an F that is
    none, no interval for an infinite one.

    Raises NearkeyError for another confidence or without scipy.
    Source: Steiger, "Beyond the F test", Psychological Methods 9 (2004), 164-182; Smithson 2001, both from memory;
    epsilon as in the tests of Huynh & Feldt 1976 (for intervals: ours, see the coverage in benchmarks/RESULTS.md).
    """
    check_confidence(confidence)
    if not math.isfinite(f):
        return Estimate(1.0 if f > 0 else math.nan, math.nan, math.nan)
    stats = scipy_stats()

    def below(noncentrality: float) -> float:
        freedom = (epsilon * df, epsilon * df_error)
        if noncentrality > 0:
            return float(stats.ncf.cdf(f, *freedom, epsilon * noncentrality))
        return float(stats.f.cdf(f, *freedom))

    reach = 10.0 * (df * f + df + 30.0) / epsilon
    ends = _noncentralities(below, 0.0, df * f, reach, confidence)
    return Estimate(df * f / (df * f + df_error), *(e / (e + df + df_error + 1) for e in ends))


def huynh_feldt(epsilon: float, df: int, df_error: int) -> float:
    """Huynh and Feldt's epsilon, from Greenhouse and Geisser's `epsilon`, of a test within participants; 1 at most.

    df, df_error : of the test; df_error / df is the number of participants less one.
    Source: Huynh & Feldt 1976 (from memory).
    """
    people = df_error / df + 1
    room = df * (people - 1 - df * epsilon)
    return min(1.0, (people * df * epsilon - 2) / room) if room > 1e-9 else 1.0


def _noncentralities(
    below: Callable[[float], float], least: float, seen: float, reach: float, confidence: float
) -> tuple[float, float]:
    """The two noncentralities, from `least` upwards, under which what was seen is just small, just large enough.

    below : noncentrality -> probability of a statistic below the one seen; it falls as that grows. seen : about the
    noncentrality of the statistic itself. reach : how far from it they are looked for first.
    """

    from scipy.optimize import brentq

    def share(noncentrality: float) -> float:
        # Far out in the tails the library underflows to NaN, where the side is plain.
        found = below(noncentrality)
        return float(noncentrality < seen) if math.isnan(found) else found

    def bound(target: float) -> float:
        # With two people they lie as many times farther out as the few degrees of freedom allow.
        low, high, width = max(least, seen - reach), seen + reach, reach
        while share(low) <= target or share(high) > target:
            if share(low) <= target and low == least:
                return low
            width *= 2.0
            low, high = max(least, seen - width), seen + width
        return float(brentq(lambda noncentrality: share(noncentrality) - target, low, high))

    tail = (1.0 - confidence) / 2.0
    return bound(1.0 - tail), bound(tail)


def smallest_holm_p(people: int, pairs: int) -> float:
    """The smallest p after Holm's correction that Wilcoxon's signed-rank test can reach, exact.

    people : with a difference that is not zero, all differences alike in sign. pairs : of conditions in the table.

    Of the 2^n ways to give n differences their signs one is all plus and one all minus: p = 2 / 2^n, and Holm
    multiplies the smallest of m by m. Source: Wilcoxon 1945; Holm 1979 (the count is exact).
    """
    return min(1.0, pairs * 2.0 / 2.0**people)


def people_for_holm(pairs: int, *, alpha: float = 0.05) -> int:
    """How many people it takes before `pairs` comparisons can fall below `alpha` after Holm's correction."""
    return next(people for people in count(1) if smallest_holm_p(people, pairs) < alpha)


class FTest(NamedTuple):
    """An F with its degrees of freedom and p; `p_corrected` without sphericity (Greenhouse-Geisser), NaN where no
    such correction is made; `epsilon` its factor."""

    f: float
    df: int
    df_error: int
    p: float
    p_corrected: float = math.nan
    epsilon: float = math.nan

    @property
    def effect(self) -> Estimate:
        """Partial eta squared with its 95 % interval, see `effect_size`."""
        return self.effect_size()

    def effect_size(self, *, confidence: float = 0.95) -> Estimate:
        """Partial eta squared with its interval, by Huynh and Feldt's epsilon where the test is within participants."""
        epsilon = 1.0
        if not math.isnan(self.epsilon):
            epsilon = huynh_feldt(self.epsilon, self.df, self.df_error)
        return partial_eta_squared(
            self.f, self.df, self.df_error, epsilon=epsilon, confidence=confidence
        )

    def to_dict(self) -> dict[str, Any]:
        """The fields, and the effect size with the ends of its interval."""
        names = ("partial_eta_squared", "eta_low", "eta_high")
        return self._asdict() | dict(zip(names, self.effect, strict=True))


def f_table(tests: Mapping[str, FTest | None]) -> ResultTable:
    """A row for each of the `tests` by name; dashes where there was nothing to test."""
    return ResultTable(
        ("effect", "F", "p", "p (G-G)", "epsilon", "partial eta²"),
        [
            (name, *("-",) * 5)
            if test is None
            else (
                name,
                f"F({test.df}, {test.df_error}) = {number(test.f)}",
                p_value(test.p),
                p_value(test.p_corrected),
                number(test.epsilon, 3),
                estimate_text(test.effect),
            )
            for name, test in tests.items()
        ],
        left=(0, 1),
    )


def contrasts(k: int) -> Floats:
    """(k, k - 1): orthonormal columns that sum to nothing."""
    centring = np.eye(k) - 1.0 / k
    return np.asarray(np.linalg.svd(centring)[0][:, : k - 1])


def within_persons(scores: Floats) -> FTest:
    """The test of (n participants, df contrast scores) against zero.

    F = n |mean|² / df over the mean square of the participants' scores about their mean; Greenhouse-Geisser's factor
    is tr(S)² / (df tr(S²)) with S the scores' covariance. NaN where all scores are zero.
    Source: standard analysis of variance; Greenhouse & Geisser 1959 (from memory).
    """
    n, df = scores.shape
    mean = scores.mean(axis=0)
    spread = np.atleast_2d(np.cov(scores, rowvar=False))
    error, effect = float(np.trace(spread)) / df, n * float(mean @ mean) / df
    f = effect / error if error > 0 else math.inf if effect > 0 else math.nan
    squares = float((spread * spread).sum())
    epsilon = float(np.trace(spread)) ** 2 / (df * squares) if squares > 0 else math.nan
    tail = scipy_stats().f.sf
    df_error = df * (n - 1)
    return FTest(
        f,
        df,
        df_error,
        float(tail(f, df, df_error)),
        float(tail(f, epsilon * df, epsilon * df_error)),
        epsilon,
    )
