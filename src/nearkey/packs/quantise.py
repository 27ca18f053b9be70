"""From a model to the table file and back: one byte a value through fitted code books, or float32 as it is."""

from __future__ import annotations

import os
from itertools import pairwise, zip_longest
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.language.arrays import map_bytes
from nearkey.language.mapped_files import NgramLevel, read_header, read_levels, write_ngram_file
from nearkey.packs.backoff import BackoffModel, FloatArray, normalised
from nearkey.packs.tree import NgramTree

BOOK_SIZE = 256
LARGE = 0.25
LARGE_STEPS = 60
MOST_MOVED = 0.3
"""Nats that a back-off is moved at most to make up for rounded probabilities."""


def code_book(
    values: FloatArray,
    weights: FloatArray | None = None,
    *,
    size: int = BOOK_SIZE,
    rounds: int = 60,
) -> NDArray[np.float32]:
    """`size` sorted values that stand for `values` with a small (weighted) mean squared error.

    S. P. Lloyd, "Least squares quantization in PCM", IEEE Trans. Inf. Theory 28 (1982): each value of
    the book is the mean of what it stands for. Starts with half of the values at equal ranks
    and half at equal distances; exact when there are at most `size` distinct values.
    """
    distinct, place = np.unique(values.astype(np.float32), return_inverse=True)
    counts = np.bincount(place, weights=weights, minlength=len(distinct)).astype(np.float64)
    if len(distinct) <= size:
        filler = distinct[-1:] if len(distinct) else np.zeros(1, np.float32)
        return np.concatenate([distinct, np.repeat(filler, size - len(distinct))])
    points = distinct.astype(np.float64)
    total = np.concatenate(([0.0], np.cumsum(counts)))
    half = size // 2
    ranks = (np.arange(half) + 0.5) / half * total[-1]
    by_rank = points[np.minimum(np.searchsorted(total[1:], ranks), len(points) - 1)]
    book = np.sort(np.concatenate([by_rank, np.linspace(points[0], points[-1], size - half)]))
    moment = np.concatenate(([0.0], np.cumsum(counts * points)))
    for _ in range(rounds):
        cuts = np.searchsorted(points, (book[1:] + book[:-1]) / 2)
        bounds = np.concatenate(([0], cuts, [len(points)]))
        mass = np.diff(total[bounds])
        means = np.divide(np.diff(moment[bounds]), mass, out=book.copy(), where=mass > 0)
        if np.allclose(means, book, atol=1e-9, rtol=0):
            break
        book = np.sort(means)
    fitted: NDArray[np.float32] = book.astype(np.float32)
    return fitted


def nearest(values: FloatArray, book: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Index of the nearest value of the sorted `book`."""
    cuts = (book[1:].astype(np.float64) + book[:-1]) / 2
    return np.searchsorted(cuts, values).astype(np.uint8)


def _level(
    tree: NgramTree,
    number: int,
    log_prob: NDArray[Any],
    backoff: NDArray[Any] | None,
    *books: NDArray[np.float32],
) -> NgramLevel:
    """Level `number` of a table, with the tree's ids and children."""
    return NgramLevel(
        log_prob,
        tree.token(number),
        backoff,
        None if number == tree.order else tree.child(number),
        *books,
    )


def exact_levels(model: BackoffModel) -> list[NgramLevel]:
    """The table's levels with float32 values."""
    values = zip_longest(model.log_prob, model.backoff)
    return [_level(model.tree, number, *pair) for number, pair in enumerate(values, start=1)]


def quantised_levels(model: BackoffModel) -> list[NgramLevel]:
    """The table's levels with 1-byte values. A back-off of exactly 0 stays exactly 0.

    The rounded probabilities come first, and the back-offs are set for them, as far as that moves a
    back-off little.
    """
    tree = model.tree
    books = [probability_book(values) for values in model.log_prob[1:]]
    places = [nearest(values, book) for values, book in zip(model.log_prob[1:], books, strict=True)]
    rounded = [book[place].astype(np.float64) for book, place in zip(books, places, strict=True)]
    unigrams = model.log_prob[0].astype(np.float32).astype(np.float64)
    fresh = normalised(tree, (unigrams, *rounded)).backoff
    backoff = [
        np.where(old == 0.0, 0.0, old + np.clip(new - old, -MOST_MOVED, MOST_MOVED))
        for old, new in zip(model.backoff, fresh, strict=True)
    ]
    levels = [_level(tree, 1, model.log_prob[0], backoff[0] if backoff else None)]
    for number, (place, book) in enumerate(zip(places, books, strict=True), start=2):
        if number == tree.order:
            levels.append(_level(tree, number, place, None, book))
            break
        values = backoff[number - 1]
        moves = values != 0.0
        explicit = np.bincount(
            tree.parent(number + 1), np.exp(model.log_prob[number]), minlength=len(values)
        )
        # What an error of a back-off does to the sum is in proportion to the mass it spreads.
        weights = 0.05 + np.maximum(0.0, 1.0 - explicit[moves])
        backoff_book = code_book(values[moves], weights)
        backoff_book[np.argmin(np.abs(backoff_book))] = 0.0
        backoff_book = np.sort(backoff_book)
        codes = nearest(values, backoff_book)
        levels.append(_level(tree, number, place, codes, book, backoff_book))
    return levels


def probability_book(log_probs: FloatArray) -> NDArray[np.float32]:
    """256 log probabilities that stand for `log_probs` so that the sum over a context stays near 1.

    The few large probabilities carry the sums: from `LARGE` on the book is even in the probability, and
    no value is off by more than .0065. Below, an error of the logarithm counts half alike for all and half
    by probability, and the rest in proportion to its square.
    """
    large = log_probs >= np.log(LARGE)
    few = len(np.unique(log_probs.astype(np.float32))) <= BOOK_SIZE
    if few or large.all() or not large.any():
        return code_book(log_probs)
    steps = np.linspace(LARGE, 1.0, LARGE_STEPS + 1)
    top = np.log((steps[1:] + steps[:-1]) / 2).astype(np.float32)
    low = log_probs[~large]
    probs = np.exp(low)
    weights = 1.0 + probs / probs.mean() + probs**2 / np.mean(probs**2)
    return np.concatenate([code_book(low, weights, size=BOOK_SIZE - LARGE_STEPS), top])


def _model(tree: NgramTree, levels: list[NgramLevel]) -> BackoffModel:
    """The model that a table of these levels holds."""

    def values(stored: NDArray[Any], book: NDArray[Any] | None) -> FloatArray:
        plain = stored.astype(np.float32) if book is None else book[stored]
        return plain.astype(np.float64)

    return BackoffModel(
        tree,
        tuple(values(level.log_prob, level.log_prob_book) for level in levels),
        tuple(values(x.backoff, x.backoff_book) for x in levels if x.backoff is not None),
    )


def quantised(model: BackoffModel) -> BackoffModel:
    """The model as a 1-byte table will give it back."""
    return _model(model.tree, quantised_levels(model))


def write_table(path: str | os.PathLike[str], model: BackoffModel, *, value_bytes: int = 1) -> None:
    """Write the model as an n-gram table of format 1."""
    levels = quantised_levels(model) if value_bytes == 1 else exact_levels(model)
    write_ngram_file(path, levels, value_bytes=value_bytes)


def read_table(path: str | os.PathLike[str]) -> BackoffModel:
    """Read a table file back as a model (with the values it holds)."""
    data = map_bytes(path)
    levels = read_levels(data, read_header(data, path))
    vocab = len(levels[0].log_prob)
    keys: list[NDArray[np.int64]] = []
    for above, level in pairwise(levels):
        assert above.child is not None
        assert level.ids is not None
        followers: NDArray[np.int64] = np.diff(above.child).astype(np.int64)
        parent = np.repeat(np.arange(len(above.log_prob)), followers)
        keys.append(parent * vocab + level.ids.astype(np.int64))
    return _model(NgramTree(vocab, tuple(keys)), levels)
