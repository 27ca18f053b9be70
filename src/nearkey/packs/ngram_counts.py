"""Counting n-grams by sorting packed keys and measuring runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import runs
from nearkey.language.tokens import BOS
from nearkey.packs.tree import IntArray, NgramTree, merge_trees, run_starts

_PART = 1 << 20


@dataclass(frozen=True, slots=True)
class NgramCounts:
    """How often each n-gram occurs: `counts[k-1]` belongs to level k of `tree`."""

    tree: NgramTree
    counts: tuple[NDArray[np.int64], ...]


def count_ngrams(stream: NDArray[np.integer], *, order: int, vocab_size: int) -> NgramCounts:
    """Count the n-grams of every length up to `order` that lie within one sentence.

    `stream` is a 1-d array of token ids in which each sentence begins with ``<s>`` (id 1) and ends with
    ``</s>`` (id 2). Memory: about 24 bytes per token of the stream.
    """
    stream = np.ascontiguousarray(stream)
    size = len(stream)
    bits = max(1, int(vocab_size - 1).bit_length())
    counts = [_uses(stream, vocab_size)]
    sentence = np.cumsum(stream == BOS, dtype=np.int32) if order > 1 else np.zeros(0, np.int32)
    keys: list[IntArray] = []
    # Packed tokens of the n-gram that begins at each place; worked on in place, since fresh memory
    # costs more than the arithmetic.
    packed = stream.astype(np.uint64)
    packed_before = np.arange(
        vocab_size, dtype=np.uint64
    )  # the same code for each entry one level down
    used = bits
    for level in range(2, order + 1):
        end = max(0, size - level + 1)
        inside = sentence[:end] == sentence[level - 1 :]
        if used + bits > 64:  # replace the packed context by its rank
            distinct, rank = np.unique(packed, return_inverse=True)
            packed = rank.astype(np.uint64)
            packed_before = np.searchsorted(distinct, packed_before).astype(np.uint64)
            used = max(1, len(distinct).bit_length())
        packed = packed[:end]
        packed <<= np.uint64(bits)
        np.bitwise_or(packed, stream[level - 1 :], out=packed, dtype=np.uint64, casting="unsafe")
        ordered = packed[inside]
        ordered.sort()
        unique, times = runs(ordered)
        counts.append(times)
        del ordered
        context = unique >> np.uint64(bits)
        first = run_starts(context)
        parents = np.searchsorted(packed_before, context[first])
        parent = np.repeat(parents, np.diff(np.append(first, len(context))))
        parent *= vocab_size
        parent += (unique & np.uint64((1 << bits) - 1)).view(np.int64)
        keys.append(parent)
        packed_before = unique
        used += bits
    return NgramCounts(NgramTree(vocab_size, tuple(keys)), tuple(counts))


def _uses(stream: NDArray[np.integer], vocab_size: int) -> NDArray[np.int64]:
    """How often each token occurs, part by part: bincount copies what it is given to 8 bytes a token."""
    total = np.zeros(vocab_size, dtype=np.int64)
    for start in range(0, len(stream), _PART):
        part = np.bincount(stream[start : start + _PART])
        total[: len(part)] += part
    return total


def merge_counts(parts: Iterable[NgramCounts]) -> NgramCounts:
    """Add up the counts of several pieces of text; equal to counting them together."""
    parts = list(parts)
    merged = merge_trees([part.tree for part in parts], [part.counts for part in parts])
    return NgramCounts(merged.tree, merged.counts)
