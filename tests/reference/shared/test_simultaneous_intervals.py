"""Intervals for several at once and for paired shares, against their sources and against simulation."""

from __future__ import annotations

import numpy as np
import pytest

from nearkey.errors import NearkeyError
from nearkey.intervals import (
    Estimate,
    by_group,
    design_effect,
    items_to_distinguish,
    paired_proportions,
    with_a_control,
    with_the_best,
)


def test_tango_solves_its_own_score_equation():
    """Tango 1998, equation of the score statistic, maximised over the nuisance by brute force."""
    b, c, n = 12, 5, 80
    found = paired_proportions(b, c, n)
    for end in found[1:]:
        q = np.linspace(max(0.0, -end) + 1e-9, (1 - end) / 2 - 1e-9, 200_001)
        likelihood = b * np.log(q + end) + c * np.log(q) + (n - b - c) * np.log(1 - 2 * q - end)
        best = q[np.nanargmax(likelihood)]
        score = (b - c - n * end) / np.sqrt(n * (2 * best + end * (1 - end)))
        assert abs(score) == pytest.approx(1.959964, abs=1e-3)
    assert found.value == pytest.approx(7 / 80)


def test_tango_of_no_discordant_words_still_has_a_width():
    """With no discordant pair the score equation reads n d / (1 - d) = z²: d = z² / (n + z²)."""
    found = paired_proportions(0, 0, 100)
    end = 1.959964**2 / (100 + 1.959964**2)
    assert found == pytest.approx((0.0, -end, end), abs=1e-6)
    back = paired_proportions(3, 9, 100)
    there = paired_proportions(9, 3, 100)
    assert back == pytest.approx((-there.value, -there.high, -there.low))


def test_a_control_agrees_with_scipys_dunnett_on_independent_groups():
    """Dunnett 1955: the critical value of independent groups of one size, as scipy computes it."""
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(0)
    units = rng.normal(0, 1, (400, 6))
    found = with_a_control(units, 0)
    theirs = stats.dunnett(
        *units[:, 1:].T, control=units[:, 0], random_state=np.random.default_rng(1)
    ).confidence_interval(0.95)
    mine = np.array([e.high - e.low for e in found[1:]])
    assert mine == pytest.approx(theirs.high - theirs.low, rel=0.08)


def test_the_best_is_kept_and_a_clear_loser_is_not():
    rng = np.random.default_rng(2)
    units = rng.normal([0.0, 0.02, 1.0, 0.99], 0.5, (2000, 4)) + rng.normal(0, 1, (2000, 1))
    found = with_the_best(units)
    assert [one.may_be_best for one in found] == [False, False, True, True]
    for one, other in zip(found, units.mean(axis=0), strict=True):
        others = np.delete(units.mean(axis=0), units.mean(axis=0).tolist().index(other))
        assert one.to_best.value == pytest.approx(other - others.max())
        assert one.to_best.low <= one.to_best.value <= one.to_best.high
        assert one.to_best.low <= 0 <= one.to_best.high
    alone = with_the_best(units[:, [0, 2]])
    assert alone[1].to_best.low == 0  # nobody else may be the best
    with pytest.raises(NearkeyError, match="two or more"):
        with_the_best(units[:1])


def test_of_equal_ones_each_is_kept_as_often_as_said():
    rng = np.random.default_rng(3)
    kept = [
        with_the_best(rng.normal(0, 1, (200, 10)) + rng.normal(0, 2, (200, 1)))[0].may_be_best
        for _ in range(300)
    ]
    assert 0.92 <= np.mean(kept) <= 0.98


def test_groups_of_items_widen_as_kish_says():
    """Kish 1965: the effect of groups of m items of intraclass correlation r is 1 + (m - 1) r."""
    rng = np.random.default_rng(4)
    group = np.repeat(np.arange(2000), 10)
    values = np.sqrt(0.2) * rng.normal(size=2000)[group] + np.sqrt(0.8) * rng.normal(size=20_000)
    assert design_effect(values, group) == pytest.approx(1 + 9 * 0.2, rel=0.08)
    assert design_effect(rng.normal(size=20_000), group) == pytest.approx(1.0, abs=0.06)
    assert by_group(values, group).mean() == pytest.approx(values.mean())


def test_so_many_more_items_tell_a_difference_four_times_in_five():
    rng = np.random.default_rng(5)
    sample = rng.normal(0.1, 1.0, 100)
    half = 1.959964 * 1.0 / 10
    needed = items_to_distinguish(Estimate(0.1, 0.1 - half, 0.1 + half), len(sample))
    told = [
        abs(rng.normal(0.1, 1 / np.sqrt(needed))) > 1.959964 / np.sqrt(needed) for _ in range(4000)
    ]
    assert np.mean(told) == pytest.approx(0.8, abs=0.03)
    assert items_to_distinguish(Estimate(0.0, -1.0, 1.0), 10) is None
