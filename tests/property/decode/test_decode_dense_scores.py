"""A dense vector of log probabilities in the place of a table: the search still equals scoring every word.

The expected scores come from the definitions (`small_models`), not from the kernel.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_models import UNK, SmallTableModel, best_alignment, random_ngrams

import nearkey._kernel as _kernel

LETTERS = 4
OFF = np.zeros(0, np.uint32)

Costs = Mapping[str, float]
costs_strategy = st.dictionaries(
    st.sampled_from(["omitted", "extra", "swapped", "completion"]), st.floats(-6, -0.1), max_size=4
)


def some_words(rng: np.random.Generator, n: int) -> list[tuple[int, ...]]:
    """Strings of letter numbers, as many of them typed alike."""
    return [tuple(rng.integers(0, LETTERS, rng.integers(1, 6)).tolist()) for _ in range(n)]


def lexicon_of(words: Sequence[Sequence[int]], log_probs: np.ndarray) -> _kernel.Lexicon:
    return _kernel.Lexicon(
        np.asarray([a for word in words for a in word], np.uint8),
        np.cumsum([0, *map(len, words)]).astype(np.uint32),
        np.arange(len(words), dtype=np.uint32),
        log_probs.astype(np.float32),
        LETTERS,
        len(words),
    )


def searcher_of(lexicon: _kernel.Lexicon, weight: float = 1.0) -> _kernel.Searcher:
    return _kernel.Searcher(lexicon, None, OFF, np.arange(LETTERS, dtype=np.uint32), weight, None)


def by_definition(
    density: np.ndarray, words: Sequence[Sequence[int]], language: Sequence[float], costs: Costs
) -> dict[int, float]:
    """The score of every word that can be read from the touches at all."""
    scores = {}
    for i, (word, log_prob) in enumerate(zip(words, language, strict=True)):
        touch = best_alignment(density, word, costs)
        if touch + log_prob > -math.inf:
            scores[i] = touch + log_prob
    return scores


def check(hits: Sequence[_kernel.Hit], wanted: Mapping[int, float], k: int) -> None:
    best = sorted(wanted.values(), reverse=True)[:k]
    assert [hit[1] for hit in hits] == pytest.approx(best, abs=1e-6)
    assert len({hit[0] for hit in hits}) == len(hits)
    for word, total, touch, language, _ in hits:
        assert total == pytest.approx(wanted[word], abs=1e-6)
        assert touch + language == pytest.approx(total, abs=1e-9)


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    n=st.integers(0, 6),
    k=st.integers(1, 6),
    weight=st.sampled_from([0.3, 1.0]),
    impossible=st.sampled_from([0.0, 0.3, 1.0]),
    costs=costs_strategy,
    own=st.booleans(),
)
def test_any_vector_is_searched_exactly(seed, n, k, weight, impossible, costs, own):
    rng = np.random.default_rng(seed)
    words = some_words(rng, int(rng.integers(1, 40)))
    static = rng.uniform(-12, -1, len(words))
    dense = rng.uniform(-12, 0, len(words)).astype(np.float32)
    dense[rng.random(len(words)) < impossible] = -np.inf
    lexicon = lexicon_of(words, static)
    density = rng.uniform(-8, -0.1, (n, LETTERS))
    overlay, keep, new = None, 0.0, []
    language = dense.astype(float)
    if own:
        keep = float(rng.uniform(-2, 0))
        named = rng.choice(len(words), size=min(3, len(words)), replace=False)
        own_probs = rng.uniform(-6, -0.5, len(named))
        new = some_words(rng, 2)
        new_probs = rng.uniform(-6, -0.5, 2)
        overlay = _kernel.Overlay(
            lexicon,
            keep,
            named.astype(np.uint32),
            own_probs,
            np.asarray([a for word in new for a in word], np.uint8),
            np.cumsum([0, *map(len, new)]).astype(np.uint32),
            new_probs,
        )
        language = keep + language
        language[named] = np.logaddexp(language[named], own_probs)
        language = np.concatenate([language, new_probs])
    scores = _kernel.DenseScores(lexicon, dense)
    searcher = searcher_of(lexicon, weight)
    with np.errstate(invalid="ignore"):
        weighted = weight * language
    if n == 0:
        hits = searcher.predict((), k, overlay, scores)
        check(hits, by_definition(density, [*words, *new], weighted, {"completion": 0.0}), k)
    else:
        penalties = _kernel.Penalties(**costs)
        hits = searcher.search(density, (), k, penalties, overlay, scores)
        check(hits, by_definition(density, [*words, *new], weighted, costs), k)
        # The searcher itself goes on with the lexicon's own probabilities.
        plain = searcher.search(density, (), k, penalties)
        check(plain, by_definition(density, words, weight * static, costs), k)


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 10**6), n=st.integers(0, 6), order=st.integers(1, 3), costs=costs_strategy
)
def test_a_tables_own_log_probs_as_a_vector_answer_as_the_table_does(seed, n, order, costs):
    rng = np.random.default_rng(seed)
    words = sorted(set(some_words(rng, 12)))
    ngrams = {
        gram: (log_prob, min(backoff, 0.0))
        for gram, (log_prob, backoff) in random_ngrams(rng, len(words), order, 0.2).items()
    }
    model = SmallTableModel([str(word) for word in words], ngrams, order)
    tokens = model.tokens(model.words)
    unigram = model.table.log_probs((), tokens)
    state = tuple(int(t) for t in rng.integers(0, 3 + len(words), order - 1))
    lexicon = lexicon_of(words, unigram)
    searcher = _kernel.Searcher(
        lexicon, model.table, tokens, np.arange(LETTERS, dtype=np.uint32), 1.0, None
    )
    vector = model.table.log_probs(state, tokens).astype(np.float32)
    scores = _kernel.DenseScores(lexicon, vector)
    if n == 0:
        by_table, by_vector = (
            searcher.predict(state, 5),
            searcher.predict((), 5, scores=scores),
        )
    else:
        density = rng.uniform(-8, -0.1, (n, LETTERS))
        penalties = _kernel.Penalties(**costs)
        by_table = searcher.search(density, state, 5, penalties)
        by_vector = searcher.search(density, (), 5, penalties, scores=scores)
        offsets = np.asarray([0, n, n], np.uint32)
        found, totals = searcher.batch(density, offsets, OFF, OFF, 5, penalties, scores=scores)
        assert [w for w in found[0] if w >= 0] == [hit[0] for hit in by_vector]
        assert totals[0, : len(by_vector)] == pytest.approx([hit[1] for hit in by_vector])
    assert [hit[1] for hit in by_vector] == pytest.approx([hit[1] for hit in by_table], abs=1e-5)
    assert len({hit[0] for hit in by_vector}) == len(by_vector)


@pytest.mark.parametrize("bad", [np.nan, 0.01, np.inf])
def test_values_that_are_no_log_probability_are_refused(bad):
    lexicon = lexicon_of([(0,), (1, 2)], np.asarray([-1.0, -2.0]))
    with pytest.raises(ValueError, match="NaN or above 0"):
        _kernel.DenseScores(lexicon, np.asarray([-1.0, bad], np.float32))


def test_a_vector_fits_its_lexicon_alone():
    words = [(0,), (1, 2)]
    lexicon = lexicon_of(words, np.asarray([-1.0, -2.0]))
    with pytest.raises(ValueError, match="one log probability is needed for each word"):
        _kernel.DenseScores(lexicon, np.zeros(3, np.float32))
    scores = _kernel.DenseScores(lexicon, np.zeros(2, np.float32))
    other = searcher_of(lexicon_of(words, np.asarray([-1.0, -2.0])))
    with pytest.raises(ValueError, match="made for another lexicon"):
        other.predict((), 1, scores=scores)


class OutsideModel:
    """A table's probabilities behind the calls that `_kernel.decode_sentence` makes; states numbered as they come."""

    def __init__(self, model: SmallTableModel, lexicon: _kernel.Lexicon) -> None:
        self.model, self.lexicon = model, lexicon
        self.states = [model.start()]

    def scores(self, state: int) -> _kernel.DenseScores:
        tokens = self.model.tokens(self.model.words)
        log_probs = self.model.table.log_probs(self.states[state], tokens)
        return _kernel.DenseScores(self.lexicon, log_probs.astype(np.float32))

    def unknown(self, state: int) -> float:
        return self.model.table.log_prob(self.states[state], UNK)

    def advance(self, state: int, word: int | bytes) -> int:
        name = self.model.words[word] if isinstance(word, int) else ""
        after = self.model.advance(self.states[state], name)
        if after not in self.states:
            self.states.append(after)
        return self.states.index(after)


def sentence_parts(seed: int):
    """A searcher over a table and a speller, both random, with touches and what is known of spaces."""
    rng = np.random.default_rng(seed)
    words = sorted(set(some_words(rng, 12)))
    ngrams = {
        gram: (log_prob, min(backoff, 0.0))
        for gram, (log_prob, backoff) in random_ngrams(rng, len(words), 2, 0.2).items()
    }
    model = SmallTableModel([str(word) for word in words], ngrams, 2)
    tokens = model.tokens(model.words)
    lexicon = lexicon_of(words, model.table.log_probs((), tokens))
    columns = np.arange(LETTERS, dtype=np.uint32)
    searcher = _kernel.Searcher(lexicon, model.table, tokens, columns, 1.0, None)
    letters = SmallTableModel(list("abcd"), random_ngrams(rng, LETTERS, 2, 0.3), 2)
    speller = _kernel.Speller(letters.table, letters.tokens(letters.words), 1.0, 8)
    n = int(rng.integers(1, 9))
    density = rng.uniform(-8, -0.1, (n, LETTERS))
    space = rng.uniform(-8, -0.1, n)

    def decode(outside: OutsideModel | None):
        return _kernel.decode_sentence(
            searcher, speller, density, model.start() if outside is None else (), 3,
            _kernel.Penalties(), space, np.zeros(0, np.uint8), -2.0, 32, 6, 20.0, outside,
        )  # fmt: skip

    return decode, OutsideModel(model, lexicon)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_sentences_by_a_model_outside_are_those_of_its_table(seed):
    decode, outside = sentence_parts(seed)
    by_table, by_model = decode(None), decode(outside)
    assert [s[0] for s in by_model] == pytest.approx([s[0] for s in by_table], abs=1e-4)
    for (*scores, parts), (*others, other_parts) in zip(by_model, by_table, strict=True):
        if scores == pytest.approx(others, abs=1e-4):  # else two readings of one score
            assert parts == other_parts


def test_what_a_model_outside_raises_reaches_the_caller():
    decode, outside = sentence_parts(3)
    outside.scores = lambda state: {}[state]  # type: ignore[method-assign,index]
    with pytest.raises(KeyError):
        decode(outside)
