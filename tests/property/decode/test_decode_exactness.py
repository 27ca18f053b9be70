"""The kernel's search equals scoring every word, whatever the lexicon, context, edits and overlay.

The expected scores come from the definitions (`small_models`), not from the kernel.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from same_lists import assert_same_lists
from small_models import (
    UNK,
    PlainModel,
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    WithoutTable,
    best_alignment,
    ngram_log_prob,
    random_ngrams,
    row_layout,
)

from nearkey.decode import Decoder, EditCosts

GROUPS = [["a", "b", "c", "é"], ["ab", "cé"], ["abcé"], ["a", "bc", "é"]]


def make(
    seed: int,
    groups: list[str],
    *,
    order: int,
    density: float,
    weight: float,
    costs: dict[str, float],
):
    rng = np.random.default_rng(seed)
    letters = "".join(groups)
    words = sorted({"".join(rng.choice(list(letters), size=rng.integers(1, 6))) for _ in range(12)})
    ngrams = random_ngrams(rng, len(words), order, density)
    model = SmallTableModel(words, ngrams, order)
    unigram = np.asarray([np.float32(ngrams[(3 + i,)][0]) for i in range(len(words))], np.float32)
    pack = SmallPack(SmallLexicon(words, unigram), model)
    layout = row_layout(groups)
    decoder = Decoder(
        layout, PlainTouch(layout, 0.6), pack, lm_weight=weight, edits=EditCosts(**costs)
    )
    return rng, layout, words, ngrams, model, decoder


def expected(layout, words, points, language, weight, costs):
    density = PlainTouch(layout, 0.6).log_prob(points)
    scores = {}
    for word in words:
        touch = best_alignment(density, [layout.key_of_letter[c] for c in word], costs)
        if touch > -math.inf:
            scores[word] = touch + weight * language(word)
    return sorted(scores.items(), key=lambda s: -s[1])


def check(found, wanted, k):
    assert len(found) == min(k, len(wanted))
    for candidate, (_, score) in zip(found, wanted, strict=False):
        assert candidate.log_prob == pytest.approx(score, abs=1e-9)
        assert candidate.log_touch + candidate.log_language == pytest.approx(
            candidate.log_prob, abs=1e-9
        )
    # The words themselves, ties aside.
    by_word = dict(wanted)
    for candidate in found:
        assert by_word[candidate.word] == pytest.approx(candidate.log_prob, abs=1e-9)
    assert len({c.word for c in found}) == len(found)


costs_strategy = st.dictionaries(
    st.sampled_from(["omitted", "extra", "swapped", "completion"]), st.floats(-6, -0.1), max_size=4
)


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    groups=st.sampled_from(GROUPS),
    order=st.integers(1, 4),
    density=st.sampled_from([0.05, 0.3]),
    weight=st.sampled_from([0.0, 0.7, 1.0]),
    costs=costs_strategy,
    n=st.integers(1, 6),
    k=st.integers(1, 6),
)
def test_decode_equals_scoring_every_word(seed, groups, order, density, weight, costs, n, k):
    rng, layout, words, ngrams, model, decoder = make(
        seed,
        groups,
        order=order,
        density=density if order < 4 else 0.05,
        weight=weight,
        costs=costs,
    )
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    state = model.start()
    for word in rng.choice(words, size=rng.integers(0, 4)):
        state = model.advance(state, str(word) if rng.random() < 0.9 else "zzz")
    wanted = expected(
        layout,
        words,
        points,
        lambda w: ngram_log_prob(ngrams, state, 3 + words.index(w), order),
        weight,
        costs,
    )
    found = decoder.decode(points, context=state, k=k, completions=True)
    check(found, wanted, k)


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    groups=st.sampled_from(GROUPS),
    costs=costs_strategy,
    k=st.integers(1, 4),
)
def test_what_was_found_before_changes_no_answer(seed, groups, costs, k):
    # A search starts from the last one's answers: touches come one by one, are taken back, and mean another context.
    rng, layout, words, ngrams, model, decoder = make(
        seed, groups, order=2, density=0.3, weight=1.0, costs=costs
    )
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(6, 2))
    for n in (1, 2, 3, 4, 3, 5, 6, 2):
        state = (int(rng.integers(0, 3 + len(words))),)
        asked = int(rng.integers(1, k + 1))
        wanted = expected(
            layout,
            words,
            points[:n],
            lambda w, state=state: ngram_log_prob(ngrams, state, 3 + words.index(w), 2),
            1.0,
            costs,
        )
        found = decoder.decode(points[:n], context=state, k=asked, completions=True)
        check(found, wanted, asked)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(1, 5), k=st.integers(1, 6), keep=st.floats(-2, 0))
def test_a_persons_words_keep_it_exact(seed, n, k, keep):
    rng, layout, words, ngrams, model, decoder = make(
        seed, GROUPS[0], order=2, density=0.3, weight=1.0, costs={}
    )
    own = {str(w): float(rng.uniform(-6, -0.5)) for w in rng.choice(words, size=4)} | {
        "abca": -1.5,
        "b": -2.0,
    }

    class Store:
        version = 0

        def overlay(self, state):
            return keep, own

        def form(self, word):
            return None

    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    state = model.advance(model.start(), words[0])

    def language(word: str) -> float:
        parts = []
        if word in words:
            parts.append(keep + ngram_log_prob(ngrams, state, 3 + words.index(word), 2))
        if word in own:
            parts.append(own[word])
        return float(np.logaddexp.reduce(parts))

    wanted = expected(layout, sorted({*words, *own}), points, language, 1.0, {})
    check(decoder.decode(points, context=state, k=k, personal=Store()), wanted, k)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), k=st.integers(1, 12))
def test_predictions_are_the_most_probable_words(seed, k):
    rng, _, words, ngrams, model, decoder = make(
        seed, GROUPS[0], order=3, density=0.2, weight=1.0, costs={}
    )
    state = (int(rng.integers(0, 3 + len(words))), int(rng.integers(0, 3 + len(words))))
    found = decoder.candidates([], context=state, k=k)
    scores = sorted(
        (ngram_log_prob(ngrams, state, 3 + i, 3) for i in range(len(words))), reverse=True
    )
    assert [c.log_language for c in found] == pytest.approx(scores[:k], abs=1e-9)
    assert {c.kind for c in found} == {"prediction"}


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), threads=st.integers(1, 3))
def test_batches_answer_as_single_words_do(seed, threads):
    rng, layout, words, _, model, decoder = make(
        seed, GROUPS[1], order=2, density=0.2, weight=1.0, costs={"swapped": -2.0}
    )
    lengths = rng.integers(0, 6, size=30)
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(lengths.sum(), 2))
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    contexts = [(UNK,) if i % 3 else model.start() for i in range(30)]
    found, scores = decoder.decode_batch(points, offsets, contexts=contexts, k=3, threads=threads)
    for i in range(30):
        single = decoder.decode(points[offsets[i] : offsets[i + 1]], context=contexts[i], k=3)
        assert [words[w] for w in found[i] if w >= 0] == [c.word for c in single]
        assert [s for s in scores[i] if s > -np.inf] == [c.log_prob for c in single]


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), factor=st.floats(0.1, 50))
def test_scaling_the_layout_changes_no_order(seed, factor):
    rng, layout, words, ngrams, model, decoder = make(
        seed, GROUPS[0], order=2, density=0.2, weight=1.0, costs={}
    )
    scaled = layout.scaled(factor)
    other = Decoder(scaled, PlainTouch(scaled, 0.6 * factor), decoder.pack)
    n = int(rng.integers(1, 6))
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    one = decoder.decode(points, context=model.start(), k=4)
    two = other.decode(points * factor, context=model.start(), k=4)
    # A density changes by the area, the same for every word.
    shift = -2 * n * math.log(factor)
    assert [c.log_prob + shift for c in one] == pytest.approx([c.log_prob for c in two], abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(0, 5), keep=st.floats(-2, 0))
def test_a_persons_words_work_with_any_language_model(seed, n, keep):
    rng, layout, words, _, _, _ = make(seed, GROUPS[0], order=1, density=0, weight=1.0, costs={})
    model = PlainModel(words)
    decoder = Decoder(
        layout,
        PlainTouch(layout, 0.6),
        SmallPack(SmallLexicon(words, np.zeros(len(words), np.float32)), model),
    )
    own = {str(w): float(rng.uniform(-6, -0.5)) for w in rng.choice(words, size=3)} | {"zz": -1.0}
    own |= dict.fromkeys(("abca", "b"), -1.5)

    class Store:
        version = 0

        def overlay(self, state):
            return keep, own

        def form(self, word):
            return None

    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    state = (words[0],)
    plain = dict(zip(words, model.log_probs(state).tolist(), strict=True))
    wanted = []
    density = PlainTouch(layout, 0.6).log_prob(points)
    for word in sorted({*words, *own} - {"zz"}):
        if n and len(word) != n:
            continue
        touch = float(sum(density[i, layout.key_of_letter[c]] for i, c in enumerate(word[:n])))
        parts = [keep + plain[word]] if word in plain else []
        parts += [own[word]] if word in own else []
        wanted.append((word, touch + float(np.logaddexp.reduce(parts))))
    found = decoder.words(points, state, 4, personal=Store())
    check(found, sorted(wanted, key=lambda w: -w[1]), 4)


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    groups=st.sampled_from(GROUPS),
    order=st.integers(1, 3),
    costs=costs_strategy,
    n=st.integers(0, 6),
    k=st.integers(1, 6),
    keep=st.none() | st.floats(-2, 0),
)
def test_a_model_without_its_table_is_searched_to_the_same_lists(
    seed, groups, order, costs, n, k, keep
):
    """Edits, completions, predictions, a person's words and batches, with the same probabilities said word by word."""
    rng, layout, words, _, model, decoder = make(
        seed, groups, order=order, density=0.2, weight=0.8, costs=costs
    )
    pack = SmallPack(decoder.pack.lexicon, WithoutTable(model))
    other = Decoder(layout, PlainTouch(layout, 0.6), pack, lm_weight=0.8, edits=EditCosts(**costs))
    own = {str(w): float(rng.uniform(-6, -0.5)) for w in rng.choice(words, size=3)} | {"abca": -1.5}

    class Store:
        version = 0

        def overlay(self, state):
            return keep, own

        def form(self, word):
            return None

    personal = None if keep is None else Store()
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    state = model.advance(model.start(), words[0])
    options = {"completions": True, "personal": personal}
    lists = [d.words(points, state, k, **options) for d in (decoder, other)]
    assert_same_lists(*lists, within=1e-5)
    lists = [d.candidates(points, context=state, k=k, personal=personal) for d in (decoder, other)]
    assert_same_lists(*lists, within=1e-5)
    contexts = [state, model.start(), state]
    offsets = [0, n, n, n]
    one, two = (d.decode_batch(points, offsets, contexts=contexts, k=3) for d in (decoder, other))
    np.testing.assert_allclose(one[1], two[1], atol=1e-5)
