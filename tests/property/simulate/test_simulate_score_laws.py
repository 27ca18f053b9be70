"""Laws that scores keep whatever the figures. Own rules, no outside source."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

from nearkey.simulate.calibration import calibrate, list_posterior
from nearkey.simulate.decoders import Answers, Queries
from nearkey.simulate.decoders.protocol import fault_of
from nearkey.simulate.score import score_layout
from nearkey.simulate.trial import TypedWords, judge
from nearkey.simulate.workload import Workload
from nearkey.touch import GaussianTouch

WORDS = ["ace", "bed", "add", "fab", "cab", "deaf", "be", "da", "éd"]


def score(scale, *, groups=("ab", "cd", "efé"), seed=0):
    layout = row_layout(list(groups)).scaled(scale)
    shares = np.linspace(2, 1, len(WORDS))
    lexicon = SmallLexicon(WORDS, np.log(shares / shares.sum()).astype(np.float32))
    return score_layout(
        layout,
        touch=GaussianTouch.from_layout(layout, spread=0.5),
        pack=SmallPack(lexicon, PlainModel(WORDS)),
        words=80,
        seed=seed,
        completion_words=20,
        latency_words=0,
    ).to_dict()


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 50.0), st.integers(0, 1000))
def test_scaling_a_layout_and_its_touches_changes_no_figure(scale, seed):
    one, other = score(1.0, seed=seed), score(scale, seed=seed)
    for part in ("static", "completion"):
        assert one[part] == other[part]
    for figure in ("ranks", "missed"):
        assert one["score"][figure] == other["score"][figure]
    assert one["score"]["all"]["kspc"] == other["score"]["all"]["kspc"]
    assert one["score"]["all"]["bits_per_character"]["value"] == pytest.approx(
        other["score"]["all"]["bits_per_character"]["value"], rel=1e-6
    )


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


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_ranks_do_not_depend_on_how_texts_are_numbered(data):
    n, k = data.draw(st.integers(1, 12)), data.draw(st.integers(1, 5))
    texts = data.draw(st.lists(st.text("abé", min_size=1, max_size=3), min_size=1, unique=True))
    lists = [data.draw(st.lists(st.sampled_from(texts), max_size=k, unique=True)) for _ in range(n)]
    meant = [data.draw(st.sampled_from(texts)) for _ in range(n)]
    order = data.draw(st.permutations(texts))
    found = []
    for words in (texts, order):
        index = np.full((n, k), -1)
        for i, one in enumerate(lists):
            index[i, : len(one)] = [words.index(t) for t in one]
        workload = Workload(
            tuple(texts),
            np.asarray([texts.index(m) for m in meant]),
            np.full(n, -1),
            None,
            None,
            "invented",
        )
        outcomes = judged(workload, Answers(words, index))
        rank, distance = outcomes.rank, outcomes.distance
        found.append((rank.tolist(), distance.tolist()))
        expected = [
            one.index(m) + 1 if m in one else 0 for one, m in zip(lists, meant, strict=True)
        ]
        assert rank.tolist() == expected
        assert [d == 0 for d in distance] == [r == 1 for r in expected]
    assert found[0] == found[1]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60), st.integers(1, 20)
)
def test_calibration_error_lies_between_the_overall_gap_and_one(rows, bins):
    confidence = np.asarray([c for c, _ in rows])
    right = np.asarray([r for _, r in rows])
    found = calibrate(confidence, right, bins=bins, draws=20)
    assert abs(found.confidence - found.accuracy) - 1e-9 <= found.error <= 1.0
    assert sum(b.words for b in found.bins) == len(rows)
    assert all(b.low - 1e-9 <= b.confidence <= b.high + 1e-9 for b in found.bins)
    assert 0 < found.p_value <= 1


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(st.floats(-50, 0), max_size=4), min_size=1, max_size=8))
def test_probabilities_of_a_list_are_probabilities(scores):
    k = 4
    index = np.full((len(scores), k), -1)
    log_probs = np.full((len(scores), k), -np.inf)
    for i, one in enumerate(scores):
        index[i, : len(one)] = range(len(one))
        log_probs[i, : len(one)] = sorted(one, reverse=True)
    totals = np.zeros(len(scores))
    for place in range(k + 1):
        rank = np.asarray([place if place <= len(one) else 0 for one in scores])
        found = list_posterior(Answers(list("abcd"), index, log_probs), rank, 100)
        assert ((found.first >= 0) & (found.first <= 1 + 1e-12)).all()
        totals += np.where(rank == place, np.exp(found.target), 0.0) if place else 0.0
    assert (totals <= 1 + 1e-9).all()


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.one_of(st.text(max_size=3), st.integers(), st.none()), max_size=4),
    st.one_of(
        st.none(),
        st.lists(st.one_of(st.floats(), st.text(max_size=2), st.none(), st.booleans()), max_size=4),
    ),
    st.one_of(st.none(), st.floats(), st.text(max_size=2)),
)
def test_an_answer_passed_as_good_can_be_judged(texts, log_probs, log_total):
    """Whatever a decoder may say, it is either a fault or usable."""
    if fault_of(texts, log_probs, 3, log_total) is not None:
        return
    assert len(texts) <= 3
    assert len(set(texts)) == len(texts)
    assert all(isinstance(t, str) and t for t in texts)
    if log_probs is not None:
        assert len(log_probs) == len(texts)
        assert all(p < np.inf for p in log_probs)
