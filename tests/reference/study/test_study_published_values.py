"""Measures against values printed in papers, reference libraries and exact recomputation."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from nearkey.study import (
    StudyLogRecorder,
    align,
    compare_conditions,
    fit_power_law,
    holm,
    measures,
    repeated_measures,
    string_distance,
)

pytestmark = pytest.mark.reference

# Few letters, so that strings share many of them; Greek and an astral character among them.
STRINGS = st.text(alphabet="abcωλ𝄞 ", max_size=12)


@pytest.mark.parametrize(
    ("presented", "transcribed", "distance", "count", "mean_length", "by_max", "by_alignment"),
    [
        # Soukoreff & MacKenzie, CHI 2001 EA, 319-320 (the pair, 3 and 37.5 %); alignments:
        # MacKenzie & Soukoreff, NordiCHI 2002, recomputed exactly.
        ("quickly", "qucehkly", 3, 4, 8.25, 37.5, 36.36),
        # MacKenzie & Soukoreff, NordiCHI 2002, recomputed exactly.
        ("abcd", "acbd", 2, 3, 14 / 3, 50.0, 42.86),
    ],
)
def test_error_rates_of_the_papers_pairs(
    presented: str,
    transcribed: str,
    distance: int,
    count: int,
    mean_length: float,
    by_max: float,
    by_alignment: float,
) -> None:
    found = align(presented, transcribed)
    assert (found.distance, found.count) == (distance, count)
    assert found.mean_length == pytest.approx(mean_length, abs=1e-12)

    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt(presented, 0.0)
    for i in range(len(transcribed)):
        log.event("tap", float(i), text=transcribed[: i + 1])
    log.end(99.0)
    phrase = measures(log.log()).phrases[0]
    assert phrase.msd_error_percent == pytest.approx(by_max)
    assert phrase.msd_error_percent_aligned == pytest.approx(by_alignment, abs=0.005)


def test_words_per_minute_of_the_papers_example() -> None:
    # MacKenzie, "A note on calculating text entry speed", 2002: 43 characters in 20 s, 25.2 WPM.
    text = "the quick brown fox jumps over the lazy dog"
    assert len(text) == 43
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt(text, 0.0)
    for i in range(43):
        log.event("tap", 5.0 + 20.0 * i / 42, text=text[: i + 1])
    log.end(31.0)
    assert measures(log.log()).phrases[0].wpm == pytest.approx(25.2, abs=1e-9)


@given(STRINGS, STRINGS)
def test_distance_is_rapidfuzz_distance(a: str, b: str) -> None:
    expected = Levenshtein.distance(a, b)
    assert string_distance(a, b) == expected
    assert align(a, b).distance == expected


def _alignments(a: str, b: str) -> list[list[tuple[str, str]]]:
    """Every alignment of two strings, optimal or not: slow, obvious, independent of `align`."""
    if not a and not b:
        return [[]]
    out: list[list[tuple[str, str]]] = []
    if a and b:
        out += [[(a[0], b[0]), *rest] for rest in _alignments(a[1:], b[1:])]
    if a:
        out += [[(a[0], ""), *rest] for rest in _alignments(a[1:], b)]
    if b:
        out += [[("", b[0]), *rest] for rest in _alignments(a, b[1:])]
    return out


@given(st.text(alphabet="abc", max_size=5), st.text(alphabet="abc", max_size=5))
def test_alignment_statistics_are_those_of_the_listed_alignments(a: str, b: str) -> None:
    every = _alignments(a, b)
    costs = [sum(x != y for x, y in one) for one in every]
    best = [one for one, cost in zip(every, costs, strict=True) if cost == min(costs)]
    found = align(a, b)
    assert found.distance == min(costs)
    assert found.count == len(best)
    assert found.mean_length == pytest.approx(sum(map(len, best)) / len(best), abs=1e-12)
    weights: dict[tuple[str, str], Fraction] = {}
    for one in best:
        for pair in one:
            weights[pair] = weights.get(pair, Fraction(0)) + Fraction(1, len(best))
    assert set(found.pairs) == set(weights)
    for pair, weight in weights.items():
        assert found.pairs[pair] == pytest.approx(float(weight), abs=1e-12)


def test_power_law_agrees_with_numpy_and_recovers_an_exact_curve() -> None:
    # Exact curve: closed form. Noisy curve: numpy.polyfit on the logs, a library of its own road.
    blocks = np.arange(1, 9)
    exact = fit_power_law(blocks, 10.4 * blocks**0.16)
    assert exact.a == pytest.approx(10.4)
    assert exact.x == pytest.approx(0.16)
    assert exact.r_squared == pytest.approx(1.0)
    assert exact.x_high - exact.x_low == pytest.approx(0.0, abs=1e-6)
    noisy = 10.4 * blocks**0.16 * np.exp(np.random.default_rng(3).normal(0, 0.05, 8))
    (slope, intercept), covariance = np.polyfit(np.log(blocks), np.log(noisy), 1, cov=True)
    found = fit_power_law(blocks, noisy)
    assert found.x == pytest.approx(slope)
    assert found.a == pytest.approx(math.exp(intercept))
    # Student's t, 0.975 quantile, 6 degrees of freedom: 2.447 in any printed table.
    assert (found.x_high - found.x_low) / 2 == pytest.approx(
        2.447 * math.sqrt(covariance[0, 0]), rel=1e-3
    )
    assert (math.log(found.a_high) - math.log(found.a_low)) / 2 == pytest.approx(
        2.447 * math.sqrt(covariance[1, 1]), rel=1e-3
    )


def test_holm_worked_by_hand() -> None:
    # Worked by hand from the definition (Holm 1979): sorted .01 .02 .03 .04 times 4 3 2 1 is
    # .04 .06 .06 .04, made non-decreasing .04 .06 .06 .06.
    assert holm([0.03, 0.01, 0.04, 0.02]) == pytest.approx((0.06, 0.04, 0.06, 0.06))
    assert holm([0.6, 0.7]) == pytest.approx((1.0, 1.0))
    assert holm([]) == ()


def test_repeated_measures_with_two_conditions_is_the_paired_t_test() -> None:
    # With k = 2, F = t squared and the p-values agree (textbook identity); t from scipy.
    stats = pytest.importorskip("scipy.stats")
    values = np.random.default_rng(5).normal([10.0, 11.0], 2.0, size=(12, 2))
    found = repeated_measures(values)
    t = stats.ttest_rel(values[:, 0], values[:, 1])
    assert found.f == pytest.approx(t.statistic**2)
    assert found.p == pytest.approx(t.pvalue)
    assert found.p_corrected == pytest.approx(t.pvalue)
    assert found.epsilon == pytest.approx(1.0)
    assert math.isnan(found.p_friedman)


def test_repeated_measures_is_the_comparison_of_two_linear_models() -> None:
    # The same F from residual sums of squares of numpy.linalg.lstsq, with and without conditions.
    n, k = 9, 4
    values = np.random.default_rng(6).normal([10.0, 11.0, 11.5, 9.0], 1.5, size=(n, k))
    people = np.kron(np.eye(n), np.ones((k, 1)))
    conditions = np.kron(np.ones((n, 1)), np.eye(k))[:, 1:]

    def residual(design: np.ndarray) -> float:
        y = values.ravel()
        fitted = design @ np.linalg.lstsq(design, y, rcond=None)[0]
        return float(((y - fitted) ** 2).sum())

    small, large = residual(people), residual(np.hstack([people, conditions]))
    expected = ((small - large) / (k - 1)) / (large / ((k - 1) * (n - 1)))
    found = repeated_measures(values)
    assert (found.df, found.df_error) == (3, 24)
    assert found.f == pytest.approx(expected)
    stats = pytest.importorskip("scipy.stats")
    assert found.p_friedman == pytest.approx(stats.friedmanchisquare(*values.T).pvalue)
    # Bounds of Greenhouse & Geisser's factor.
    assert 1 / (k - 1) <= found.epsilon <= 1


def test_sphericity_factor_at_its_lower_bound() -> None:
    # All differences proportional to one pattern: rank one, epsilon = 1 / (k - 1), by definition.
    weights = np.array([1.0, -2.0, 0.5, 2.5, -1.0])[:, None]
    pattern = np.array([0.0, 1.0, -1.0])[None, :]
    assert repeated_measures(weights * pattern + 3.0).epsilon == pytest.approx(0.5)


def test_compared_conditions_agree_with_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    logs = []
    rng = np.random.default_rng(8)
    for person in range(9):
        for condition, pace in (("grid", 0.5), ("rows", 0.6)):
            log = StudyLogRecorder(
                participant=f"p{person}", condition=condition, origin="simulated"
            )
            log.prompt("level at the gate", 0.0)
            seconds = 0.0
            for i in range(17):
                log.event("tap", seconds, text="level at the gate"[: i + 1])
                seconds += pace * float(rng.lognormal(0.0, 0.3))
            log.end(seconds)
            logs.append(log.log())
    measured = measures(logs)
    speeds = {
        name: [row.wpm for row in measured.participants if row.condition == name]
        for name in ("grid", "rows")
    }
    found = compare_conditions(measured, "wpm").pairs[0]
    differences = np.subtract(speeds["rows"], speeds["grid"])
    paired = stats.ttest_rel(speeds["rows"], speeds["grid"])
    assert (found.p_t, found.p_t_holm) == pytest.approx((paired.pvalue, paired.pvalue))
    assert (found.low, found.high) == pytest.approx(tuple(paired.confidence_interval(0.95)))
    assert found.difference == pytest.approx(differences.mean())
    assert found.p == pytest.approx(stats.wilcoxon(differences).pvalue)
    assert found.p_holm == found.p
    boot = stats.bootstrap(
        (differences,), np.mean, method="percentile", n_resamples=20_000, random_state=1
    ).confidence_interval
    width = boot.high - boot.low
    found = compare_conditions(measured, "wpm", interval="bootstrap").pairs[0]
    assert found.low == pytest.approx(boot.low, abs=0.06 * width)
    assert found.high == pytest.approx(boot.high, abs=0.06 * width)
