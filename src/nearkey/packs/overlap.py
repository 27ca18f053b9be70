"""Keeping evaluation text out of the training text."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nearkey.language.reading.streams import TextStream, select

Keys = NDArray[np.uint64]

SHORTEST = 5
"""Shorter sentences are what everybody says, and no sign of a common source."""
LONG = 10
"""A longer sentence overlaps when it shares this many words in a row (long n-grams in common are the usual sign of
training text in evaluation text; common practice, no source for the number)."""


def without_sentences_of(
    stream: TextStream, evaluation: Sequence[TextStream]
) -> tuple[TextStream, int]:
    """`stream` without the sentences that overlap with the evaluation texts, and how many those were.

    A sentence of `SHORTEST` words and more overlaps when it is there, whatever its case; one of more than `LONG` also
    when `LONG` words in a row are.
    """
    if not evaluation or not stream.n_sentences:
        return stream, 0
    drop = np.zeros(stream.n_sentences, dtype=bool)
    words = _word_keys(stream)
    others = [(other, _word_keys(other)) for other in evaluation]
    for length in range(SHORTEST, LONG + 1):
        at, sentence = _places(stream, length)
        theirs = [_windows(keys, _places(other, length)[0], length) for other, keys in others]
        drop[sentence[np.isin(_windows(words, at, length), np.concatenate(theirs))]] = True
    return select(stream, ~drop), int(drop.sum())


def _word_keys(stream: TextStream) -> Keys:
    """A 64-bit key for each word, the same in every text and case."""
    of_surface = [
        int.from_bytes(hashlib.blake2b(surface.lower().encode(), digest_size=8).digest(), "little")
        for surface in stream.surfaces
    ]
    return np.array(of_surface, dtype=np.uint64)[stream.ids]


def _windows(words: Keys, starts: NDArray[np.int64], length: int) -> Keys:
    """A key for the `length` words from each start; equal windows have equal keys."""
    keys = np.zeros(len(starts), dtype=np.uint64)
    for offset in range(length):
        keys = keys * np.uint64(0x9E3779B97F4A7C15) + words[starts + offset]
    return keys


def _places(stream: TextStream, length: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where so many words in a row begin within a sentence, and in which; below `LONG`, whole sentences only."""
    sizes = np.diff(stream.starts)
    counts = np.maximum(sizes - length + 1, 0)
    if length < LONG:
        counts[sizes > length] = 0
    sentence = np.repeat(np.arange(stream.n_sentences), counts)
    first = np.cumsum(counts) - counts
    return stream.starts[:-1][sentence] + np.arange(len(sentence)) - first[sentence], sentence
