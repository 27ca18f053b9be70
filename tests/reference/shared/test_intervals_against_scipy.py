"""The interval functions against scipy's, and against formulas written out from their sources."""

import math

import numpy as np
import pytest
from scipy import stats

from nearkey.errors import NearkeyError
from nearkey.intervals import (
    bootstrap_mean,
    mean,
    mean_over_people,
    paired_difference,
    percentile_interval,
    proportion,
    ratio,
    ratio_difference,
    student_t,
)

pytestmark = pytest.mark.reference


@pytest.mark.parametrize(("hits", "n"), [(0, 7), (3, 7), (7, 7), (412, 5000), (1, 1)])
def test_proportions_have_wilsons_interval(hits: int, n: int):
    # Source: scipy.stats.binomtest(...).proportion_ci(method="wilson").
    theirs = stats.binomtest(hits, n).proportion_ci(0.95, method="wilson")
    ours = proportion(hits, n)
    assert ours.value == hits / n
    assert ours[1:] == pytest.approx([theirs.low, theirs.high], abs=1e-12)
    assert ours.low <= ours.value <= ours.high


def test_a_share_of_nothing_is_not_a_number():
    assert all(map(math.isnan, proportion(0, 0)))


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95, 0.99, 0.999])
@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 11, 30, 31, 120, 2001])
def test_students_t_is_scipys(confidence: float, freedom: int):
    # Source: scipy.stats.t.ppf.
    theirs = stats.t.ppf(0.5 + confidence / 2, freedom)
    assert student_t(confidence, freedom) == pytest.approx(theirs, rel=1e-9)


def test_mean_over_people_is_scipys_one_sample_t_interval():
    # Source: scipy.stats.ttest_1samp(...).confidence_interval.
    values = np.random.default_rng(3).normal(12.0, 4.0, 9)
    for confidence in (0.8, 0.95):
        theirs = stats.ttest_1samp(values, 0.0).confidence_interval(confidence)
        ours = mean_over_people(values, confidence=confidence)
        assert ours == pytest.approx((values.mean(), theirs.low, theirs.high), rel=1e-9)
    one = mean_over_people([4.0])
    assert one.value == 4.0
    assert math.isnan(one.low)
    assert math.isnan(mean_over_people([]).value)


def test_means_and_paired_differences_have_the_normal_interval():
    # Source: scipy.stats.norm.interval with the standard error of scipy.stats.sem.
    rng = np.random.default_rng(5)
    first, second = rng.normal(1.0, 2.0, 400), rng.normal(0.8, 2.0, 400)
    for ours, values in (
        (mean(first), first),
        (paired_difference(first, second), first - second),
    ):
        theirs = stats.norm.interval(0.95, values.mean(), stats.sem(values))
        assert ours == pytest.approx((values.mean(), *theirs), rel=1e-12)


def test_ratios_have_cochrans_linearised_interval():
    # Source: Cochran, Sampling Techniques, 3rd ed. 1977, section 6.3, written out: the variance of
    # r = sum(y) / sum(x) is the sum of (y - r x)^2 over n (n - 1) mean(x)^2 (no finite population).
    rng = np.random.default_rng(7)
    x = rng.integers(2, 12, 300).astype(float)
    y = x * rng.uniform(0.8, 1.6, 300)
    r, n = y.sum() / x.sum(), len(x)
    variance = ((y - r * x) ** 2).sum() / (n * (n - 1) * x.mean() ** 2)
    half = stats.norm.ppf(0.975) * math.sqrt(variance)
    assert ratio(y, x) == pytest.approx((r, r - half, r + half), rel=1e-9)


def test_the_difference_of_two_ratios_covers_as_often_as_it_says():
    # Common practice, no source: intervals of a linearised difference cover the generating difference (0.2) in
    # 95 of 100 samples; 400 samples leave 3 in 100 to chance.
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(400):
        base = rng.integers(2, 12, 120).astype(float)
        shared = rng.normal(0, 0.3, 120)
        one = base * (1.4 + shared + rng.normal(0, 0.1, 120))
        two = base * (1.2 + shared + rng.normal(0, 0.1, 120))
        found = ratio_difference(one, base, two, base)
        covered += found.low <= 0.2 <= found.high
    assert 0.92 <= covered / 400 <= 0.98


def test_bootstrap_of_a_mean_is_scipys_percentile_bootstrap():
    # Source: scipy.stats.bootstrap(method="percentile"); other draws, so to the draws' own spread.
    values = np.random.default_rng(13).gamma(2.0, 3.0, 40)
    ours = bootstrap_mean(values, resamples=20_000)
    theirs = stats.bootstrap(
        (values,), np.mean, method="percentile", n_resamples=20_000, random_state=2
    ).confidence_interval
    assert ours.value == pytest.approx(values.mean())
    assert ours[1:] == pytest.approx((theirs.low, theirs.high), abs=0.02 * values.std())


def test_percentiles_are_those_of_the_resamples():
    found = percentile_interval(0.5, np.arange(101.0), confidence=0.9)
    assert found == (0.5, pytest.approx(5.0), pytest.approx(95.0))


def test_bad_confidence_freedom_and_resamples_are_one_line_errors():
    for wrong in (
        lambda: mean_over_people([1.0, 2.0], confidence=1.0),
        lambda: bootstrap_mean([1.0, 2.0], confidence=0.0),
        lambda: percentile_interval(0.0, np.zeros(3), confidence=95.0),
    ):
        with pytest.raises(NearkeyError, match="confidence: is"):
            wrong()
    with pytest.raises(NearkeyError, match="freedom: is 0"):
        student_t(0.95, 0)
    with pytest.raises(NearkeyError, match="resamples: is 0"):
        bootstrap_mean([1.0, 2.0], resamples=0)
