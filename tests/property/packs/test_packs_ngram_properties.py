"""What must hold for any text: counts, sums, mixtures, pruning, tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_ngrams import BOS, EOS, SlowTable, slow_counts

from nearkey._kernel import NgramTable
from nearkey.language.arrays import map_bytes
from nearkey.packs.backoff import BackoffModel, context_sums, normalised, prune, prune_to_size
from nearkey.packs.interpolation import COUNT_BINS, MixtureSource, interpolate
from nearkey.packs.kneser_ney import Discounts, estimate
from nearkey.packs.ngram_counts import count_ngrams, merge_counts
from nearkey.packs.quantise import (
    code_book,
    nearest,
    probability_book,
    quantised,
    read_table,
    write_table,
)

VOCAB = 9
sentence = st.lists(st.integers(3, VOCAB - 1), max_size=8)
texts = st.lists(sentence, min_size=1, max_size=30)
orders = st.integers(1, 5)


def stream_of(text: list[list[int]]) -> np.ndarray:
    return np.array([token for words in text for token in (BOS, *words, EOS)])


def every_context(model: BackoffModel) -> list[tuple[int, ...]]:
    contexts: list[tuple[int, ...]] = [()]
    for level in range(1, model.order):
        contexts += [tuple(row) for row in model.tree.token_matrix(level).tolist()]
    return contexts


def total_after(model: BackoffModel, context: tuple[int, ...]) -> float:
    tokens = [token for token in range(model.tree.vocab_size) if token != BOS]
    rows = np.array([[*context, token] for token in tokens])
    return float(np.exp(model.score_rows(rows)).sum())


def assert_sums_to_one(model: BackoffModel, tolerance: float = 1e-9) -> None:
    for context in every_context(model):
        if EOS not in context:
            assert total_after(model, context) == pytest.approx(1.0, abs=tolerance)


@given(texts, orders)
def test_counts_equal_counting_one_by_one(text, order):
    stream = stream_of(text)
    found = count_ngrams(stream, order=order, vocab_size=VOCAB)
    for level, expected in enumerate(slow_counts(stream.tolist(), order), start=1):
        rows = found.tree.token_matrix(level).tolist()
        counted = dict(zip(map(tuple, rows), found.counts[level - 1].tolist(), strict=True))
        assert {gram: count for gram, count in counted.items() if count} == dict(expected)


@given(texts, orders, st.integers(20, 40))
def test_counts_do_not_depend_on_how_keys_are_packed(text, order, bits):
    # A vocabulary of many bits makes the packed keys overflow 64 bits, so contexts become ranks.
    stream = stream_of(text)
    small = count_ngrams(stream, order=order, vocab_size=VOCAB)
    wide = count_ngrams(stream, order=order, vocab_size=1 << min(bits, 20))
    for level in range(2, order + 1):
        ours = small.tree.token_matrix(level)
        np.testing.assert_array_equal(ours, wide.tree.token_matrix(level))
        np.testing.assert_array_equal(small.counts[level - 1], wide.counts[level - 1])


@given(texts, texts, orders)
def test_counting_in_parts_equals_counting_at_once(one, two, order):
    parts = [count_ngrams(stream_of(t), order=order, vocab_size=VOCAB) for t in (one, two)]
    merged = merge_counts(parts)
    whole = count_ngrams(stream_of(one + two), order=order, vocab_size=VOCAB)
    for a, b in zip(merged.tree.keys, whole.tree.keys, strict=True):
        np.testing.assert_array_equal(a, b)
    for a, b in zip(merged.counts, whole.counts, strict=True):
        np.testing.assert_array_equal(a, b)


@given(texts, orders)
@settings(max_examples=50)
def test_an_estimate_sums_to_one_after_every_context(text, order):
    assert_sums_to_one(estimate(count_ngrams(stream_of(text), order=order, vocab_size=VOCAB)))


@given(texts, orders)
@settings(max_examples=50)
def test_the_back_off_form_sums_to_one_as_well(text, order):
    counts = count_ngrams(stream_of(text), order=order, vocab_size=VOCAB)
    half = Discounts(0.5, 0.5, 0.5)
    assert_sums_to_one(estimate(counts, discounts=[half] * order, interpolated=False))


@given(texts, texts, st.integers(1, 4), st.integers(0, 2**32 - 1))
@settings(max_examples=50)
def test_a_mixture_sums_to_one_and_mixes_what_it_says(one, two, order, seed):
    counts = [count_ngrams(stream_of(t), order=order, vocab_size=VOCAB) for t in (one, two)]
    base = np.full(VOCAB, 1 / (VOCAB - 1))
    base[BOS] = 0.0
    sources = [*(MixtureSource.of(c) for c in counts), MixtureSource.unigram(base)]
    rng = np.random.default_rng(seed)
    mixture_weights = [rng.random((3, len(COUNT_BINS) + 1)) + 0.01 for _ in range(order)]
    model, _ = interpolate(sources, mixture_weights)
    assert_sums_to_one(model)
    # With one bin the mixture of every explicit n-gram is plain static interpolation.
    flat = [np.repeat(s[:, :1], len(COUNT_BINS) + 1, axis=1) for s in mixture_weights]
    model, _ = interpolate(sources, flat)
    for level in range(1, order + 1):
        rows = model.tree.token_matrix(level)
        weights = flat[level - 1][:, 0] / flat[level - 1][:, 0].sum()
        parts = [np.exp(source.model.score_rows(rows)) for source in sources]
        expected = sum(weight * part for weight, part in zip(weights, parts, strict=True))
        known = rows[:, -1] != BOS
        np.testing.assert_allclose(
            np.exp(model.log_prob[level - 1])[known], expected[known], rtol=1e-9
        )


@given(texts, st.integers(2, 4), st.floats(0, 0.05))
@settings(max_examples=50)
def test_a_pruned_model_sums_to_one_and_keeps_contexts_of_what_it_keeps(text, order, threshold):
    counts = count_ngrams(stream_of(text), order=order, vocab_size=VOCAB)
    model = estimate(counts)
    mass = [c / counts.counts[0].sum() for c in counts.counts[:-1]]
    pruned = prune(model, mass, threshold)
    assert all(a <= b for a, b in zip(pruned.tree.sizes(), model.tree.sizes(), strict=True))
    assert_sums_to_one(pruned)
    # Explicit probabilities that stay are those of the full model.
    for level in range(2, order + 1):
        rows = pruned.tree.token_matrix(level)
        np.testing.assert_allclose(pruned.log_prob[level - 1], model.score_rows(rows), atol=1e-12)


@given(texts, st.integers(2, 4))
@settings(max_examples=30)
def test_pruning_to_a_size_keeps_within_it(text, order):
    counts = count_ngrams(stream_of(text), order=order, vocab_size=VOCAB)
    model = estimate(counts)
    mass = [c / counts.counts[0].sum() for c in counts.counts[:-1]]
    room = sum(model.tree.sizes()[1:]) // 2
    pruned, threshold = prune_to_size(model, mass, fits=lambda sizes: sum(sizes[1:]) <= room)
    assert sum(pruned.tree.sizes()[1:]) <= room
    assert threshold >= 0


def test_pruning_drops_what_costs_least():
    # Of two followers with equal probability in their contexts, the one the shorter context already
    # predicts is worth less.
    tree = count_ngrams(np.array([BOS, 3, 4, EOS, BOS, 3, 5, EOS]), order=2, vocab_size=6).tree
    logs = np.log(np.array([0.01, 1e-40, 0.2, 0.19, 0.4, 0.2]))
    follow = {(3, 4): 0.41, (3, 5): 0.41}
    bigrams = np.log([follow.get(tuple(r), 0.5) for r in tree.token_matrix(2).tolist()])
    model = normalised(tree, (logs, bigrams))
    mass = [np.full(6, 1 / 6)]
    kept, _ = prune_to_size(model, mass, fits=lambda sizes: sizes[1] <= tree.size(2) - 1)
    left = {tuple(row) for row in kept.tree.token_matrix(2).tolist()}
    assert (3, 4) not in left
    assert (3, 5) in left


@given(texts, orders, st.sampled_from([1, 4]))
@settings(max_examples=40, deadline=None)
def test_the_kernel_and_a_plain_reader_read_the_table_alike(tmp_path_factory, text, order, size):
    model = estimate(count_ngrams(stream_of(text), order=order, vocab_size=VOCAB))
    path = tmp_path_factory.mktemp("table") / "t.ngram"
    write_table(path, model, value_bytes=size)
    table, slow = NgramTable(map_bytes(path)), SlowTable(path)
    expected = quantised(model) if size == 1 else model
    contexts = [*every_context(model)[:60], (8, 8, 8, 8), (EOS, BOS)]
    tokens = np.arange(VOCAB, dtype=np.uint32)
    for context in contexts:
        got = table.log_probs(list(context), tokens)
        plain = [slow.score(context, token) for token in range(VOCAB)]
        np.testing.assert_allclose(got, plain, atol=1e-5)
        kept = list(context)[-(order - 1) :] if order > 1 else []
        rows = np.array([[*kept, token] for token in range(VOCAB)])
        np.testing.assert_allclose(got, expected.score_rows(rows), atol=2e-5)
    again = read_table(path)
    for level in range(1, order + 1):
        rows = model.tree.token_matrix(level)
        np.testing.assert_array_equal(rows, again.tree.token_matrix(level))
        np.testing.assert_allclose(
            expected.log_prob[level - 1], again.log_prob[level - 1], rtol=1e-6
        )


@given(st.lists(st.floats(-20, 0, width=32), min_size=1, max_size=2000))
@settings(max_examples=50)
def test_a_code_book_is_sorted_and_near(values):
    array = np.array(values)
    book = code_book(array)
    assert len(book) == 256
    assert np.all(np.diff(book) >= 0)
    nearest = np.abs(array[:, None] - book[None, :]).min(axis=1)
    spread = max(float(np.ptp(array)), 1e-6)
    assert nearest.max() <= spread / 20


@given(st.integers(0, 2**32 - 1), st.integers(1, 3000), st.floats(0.05, 3.0))
@settings(max_examples=50, deadline=None)
def test_large_probabilities_are_rounded_by_less_than_a_hundredth(seed, size, shape):
    probs = np.random.default_rng(seed).beta(shape, 1.0, size).clip(1e-8, 1.0)
    log_probs = np.log(probs)
    book = probability_book(log_probs)
    assert len(book) == 256
    assert np.all(np.diff(book) >= 0)
    rounded = book[nearest(log_probs, book)]
    assert np.all(
        np.abs(log_probs[:, None] - book).min(axis=1) >= np.abs(log_probs - rounded) - 1e-6
    )
    large = probs >= 0.25
    off = np.abs(np.exp(rounded) - probs)
    if len(np.unique(log_probs.astype(np.float32))) <= 256:
        assert off.max() < 1e-6
    elif large.any() and not large.all():
        assert off[large].max() <= 0.0065


@given(texts, st.integers(1, 5), st.floats(0, 0.05), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_sums_after_contexts_are_those_of_adding_up(text, order, threshold, seed):
    counts = count_ngrams(stream_of(text), order=order, vocab_size=VOCAB)
    model = estimate(counts)
    mass = [c / counts.counts[0].sum() for c in counts.counts[:-1]]
    model = prune(model, mass, threshold) if order > 1 else model
    rng = np.random.default_rng(seed)  # so that the sums are not all 1
    logs = tuple(level + rng.normal(0, 0.1, len(level)) for level in model.log_prob)
    off = BackoffModel(model.tree, logs, model.backoff)
    for level, sums in enumerate(context_sums(off), start=1):
        for context, found in zip(model.tree.token_matrix(level).tolist(), sums, strict=True):
            assert found == pytest.approx(total_after(off, tuple(context)), abs=1e-9)
