"""Counts decay as stated, and what was counted can be taken back exactly."""

from __future__ import annotations

import random

import pytest

from nearkey.personal.word_counts import WordCounts, WordObservation


def observations(n: int, seed: int = 1) -> list[WordObservation]:
    rng = random.Random(seed)
    words = ["set", "up", "the", "staff", "level", "Benchmark".lower(), "tripod"]
    return [
        WordObservation(
            serial=i,
            clock=i,
            word=rng.choice(words),
            context=tuple(rng.choices(words, k=rng.randrange(3))),
            weight=rng.choice([1.0, 0.7, 0.3]),
            order=rng.choice([-1, 0, 1, 2]),
            responsibility=round(rng.random(), 4),
        )
        for i in range(n)
    ]


def state(counts: WordCounts) -> tuple[object, ...]:
    return (
        counts.clock,
        counts.words,
        counts.times,
        counts.phrases,
        counts.forms,
        [(t.responsibility, t.total) for t in counts.evidence],
    )


def test_a_count_is_worth_half_after_its_half_life() -> None:
    # By definition of a half-life: 2^(-t / h).
    counts = WordCounts(half_life=100.0)
    counts.apply(WordObservation(serial=0, clock=0, word="staff"))
    for age, worth in ((0, 1.0), (50, 0.5**0.5), (100, 0.5), (300, 0.125)):
        assert counts.words["staff"] / counts.unit(age) == pytest.approx(worth, rel=1e-5)


def test_taking_back_in_any_order_leaves_nothing() -> None:
    counts = WordCounts(half_life=120.0)
    given = observations(400)
    for observation in given:
        counts.apply(observation)
    random.Random(3).shuffle(given)
    for observation in given:
        counts.reverse(observation)
    assert state(counts) == state(WordCounts(half_life=120.0))


def test_taking_one_back_equals_never_having_counted_it() -> None:
    given = observations(60)
    for gone in (0, 17, 59):
        counts, without = WordCounts(half_life=120.0), WordCounts(half_life=120.0)
        for observation in given:
            counts.apply(observation)
            if observation.serial != gone:
                without.apply(observation)
        counts.reverse(given[gone])
        assert state(counts) == state(without)


def test_long_past_counts_are_shifted_without_changing_what_they_are_worth() -> None:
    counts = WordCounts(half_life=50.0)
    for observation in observations(2000):
        counts.apply(observation)
    unit = counts.unit(counts.clock)
    before = {w: c / unit for w, c in counts.words.items()}
    counts.settle(max_words=100, max_phrases=1000)
    unit = counts.unit(counts.clock)
    assert counts.base > 0
    assert max(counts.words.values()) < 2**53
    for word, worth in before.items():
        assert counts.words[word] / unit == pytest.approx(worth, abs=1e-4)


def test_settling_keeps_the_most_used() -> None:
    counts = WordCounts(half_life=1000.0)
    for i in range(300):
        word = f"w{'abcdefghijklmnopqrst'[i % 20]}"
        counts.apply(WordObservation(serial=i, clock=i, word=word, context=("the",)))
    for i in range(5):
        counts.apply(
            WordObservation(serial=300 + i, clock=300 + i, word="staff", context=("level",))
        )
    counts.settle(max_words=1, max_phrases=1)
    # "staff" came 5 times, each other word 15 times and earlier; half of the count is left after 1000.
    best = max(counts.words, key=counts.words.__getitem__)
    assert list(counts.words) == [best]
    assert best != "staff"
    assert counts.n_phrases() == 1
    assert set(counts.times) == {best}


def test_pinned_words_outlive_settling() -> None:
    counts = WordCounts(half_life=1000.0)
    counts.pinned |= {"tripod": "tripod", "wild": "Wild"}
    counts.apply(WordObservation(serial=0, clock=0, word="tripod"))
    for i in range(1, 9):
        counts.apply(WordObservation(serial=i, clock=i, word="staff"))
    counts.settle(max_words=1, max_phrases=1)
    assert counts.pinned == {"tripod": "tripod", "wild": "Wild"}
    assert counts.words.keys() == {"tripod"}


def test_another_half_life_keeps_what_counts_are_worth_now() -> None:
    counts = WordCounts(half_life=200.0)
    for observation in observations(300):
        counts.apply(observation)
    other = counts.with_half_life(1000.0)
    for word, count in counts.words.items():
        assert other.words[word] / other.unit(300) == pytest.approx(
            count / counts.unit(300), rel=1e-4
        )
    # From now on it decays five times as slowly.
    assert other.words["staff"] / other.unit(1300) == pytest.approx(
        0.5 * other.words["staff"] / other.unit(300), rel=1e-5
    )


def test_forgetting_takes_the_phrases_too() -> None:
    counts = WordCounts(half_life=200.0)
    counts.apply(WordObservation(serial=0, clock=0, word="staff", context=("the", "level")))
    counts.apply(WordObservation(serial=1, clock=1, word="level", context=("set", "up")))
    assert counts.forget("level")
    assert counts.words.keys() == {"staff"}
    assert counts.phrases == {}
    assert not counts.forget("level")


def test_a_observation_without_a_word_of_its_context_keeps_what_follows_it() -> None:
    observation = WordObservation(serial=0, clock=0, word="staff", context=("the", "level"))
    assert observation.without("staff") is None
    assert observation.without("tripod") is observation
    for gone, left in (("the", ("level",)), ("level", ())):
        kept = observation.without(gone)
        assert kept is not None
        assert kept.context == left
