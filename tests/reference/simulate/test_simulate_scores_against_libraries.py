"""Measures of the benchmark against libraries outside the project."""

from __future__ import annotations

import numpy as np
import pytest
from rapidfuzz.distance import Levenshtein
from scipy import stats
from sklearn.calibration import calibration_curve

import nearkey as nk
from nearkey.simulate.calibration import calibrate
from nearkey.simulate.decoders import Answers, Queries
from nearkey.simulate.layout_score import GroupScore
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.trial import TypedWords, judge
from nearkey.simulate.workload import Workload

pytestmark = pytest.mark.reference


def test_reliability_is_that_of_scikit_learn():
    rng = np.random.default_rng(0)
    confidence = rng.random(5000)
    right = rng.random(5000) < confidence**1.3
    found = calibrate(confidence, right, bins=15)
    share, mean = calibration_curve(right, confidence, n_bins=15)
    assert [b.accuracy.value for b in found.bins] == pytest.approx(share)
    assert [b.confidence for b in found.bins] == pytest.approx(mean)


def test_the_chance_of_a_calibration_error_follows_the_binomial():
    """One bin of n words at probability p: the error is |share - p|, a binomial's mean absolute deviation."""
    n, p = 400, 0.7
    found = calibrate(np.full(n, p), np.arange(n) < round(n * p), bins=1, draws=4000)
    counts = np.arange(n + 1)
    expected = float((stats.binom.pmf(counts, n, p) * np.abs(counts / n - p)).sum())
    assert found.error == pytest.approx(0.0, abs=1e-12)
    assert found.by_chance[0] == pytest.approx(expected, rel=0.05)


class Given:
    """A decoder whose answers are there already."""

    def __init__(self, answers):
        self._answers = answers

    def answer(self, queries, k):
        return self._answers


def judged(workload, answers):
    n = len(workload)
    queries = Queries(np.zeros((n, 2)), np.arange(n + 1, dtype=np.uint32))
    typed = TypedWords(workload, queries, np.ones(n, np.int64), np.ones(n), np.ones(n))
    return judge(typed, Given(answers), lexicon=[]).outcomes


def random_words(rng, n):
    return ["".join(rng.choice(list("abcdé"), rng.integers(1, 7))) for _ in range(n)]


def test_character_error_rate_is_the_edit_distance_of_rapidfuzz():
    rng = np.random.default_rng(4)
    meant, shown = random_words(rng, 300), random_words(rng, 300)
    shown[::5] = meant[::5]
    vocabulary = list(dict.fromkeys(meant))
    words = list(dict.fromkeys(shown))
    workload = Workload(
        tuple(vocabulary),
        np.asarray([vocabulary.index(w) for w in meant]),
        np.full(300, -1),
        None,
        None,
        "invented",
    )
    index = np.full((300, 10), -1)
    index[:, 0] = [words.index(w) for w in shown]
    index[7, 0] = -1  # no answer: every character is missing
    outcomes = judged(workload, Answers(words, index))
    expected = [Levenshtein.distance(a, b) for a, b in zip(meant, shown, strict=True)]
    expected[7] = len(meant[7])
    assert outcomes.distance.tolist() == expected
    group = GroupScore.of(outcomes)
    assert group.character_error_rate.value == sum(expected) / sum(map(len, meant))


def test_entropy_of_letters_from_the_published_table():
    """Bits a letter of a decoder that sees no touches, letters drawn by Lewand's table: 4.1758.

    Cryptological Mathematics (2000), the value computed from the table. One-letter words with a space
    each: bits per character is half of that.
    """
    from test_simulate_against_sources import LETTERS

    share = np.asarray(list(LETTERS.values())) / sum(LETTERS.values())
    counts = np.round(share * 100_000).astype(int)
    log_prob = np.repeat(np.log(share), counts)
    n = len(log_prob)
    posterior = nk.simulate.decoders.Posterior(np.exp(log_prob), log_prob, "given")
    ones = np.ones(n, dtype=np.int64)
    outcomes = WordOutcomes(ones, ones, ones, 2.0 * ones, 1.0 * ones, posterior=posterior)
    group = GroupScore.of(outcomes)
    assert 2 * group.bits_per_character.value == pytest.approx(4.1758, abs=2e-4)
