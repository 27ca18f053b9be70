"""Counting n-grams by sorting packed keys and measuring runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.language.building.tree import IntArray, NgramTree, merge_trees, run_starts
from nearkey.language.tokens import BOS

__all__ = ["NgramCounts", "count_ngrams", "merge_counts"]


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
    counts = [np.bincount(stream, minlength=vocab_size).astype(np.int64)]
    sentence = np.cumsum(stream == BOS, dtype=np.int32) if order > 1 else np.zeros(0, np.int32)
    keys: list[IntArray] = []
    at_position = stream.astype(np.uint64)  # packed tokens of the n-gram that begins here
    packed_before = np.arange(
        vocab_size, dtype=np.uint64
    )  # the same code for each entry one level down
    used = bits
    for level in range(2, order + 1):
        end = max(0, size - level + 1)
        inside = sentence[:end] == sentence[level - 1 :]
        if used + bits > 64:  # replace the packed context by its rank
            distinct, rank = np.unique(at_position, return_inverse=True)
            at_position = rank.astype(np.uint64)
            packed_before = np.searchsorted(distinct, packed_before).astype(np.uint64)
            used = max(1, len(distinct).bit_length())
        at_position = (at_position[:end] << np.uint64(bits)) | stream[level - 1 :].astype(np.uint64)
        ordered = np.sort(at_position[inside])
        starts = run_starts(ordered)
        unique = ordered[starts]
        counts.append(np.diff(np.append(starts, len(ordered))))
        del ordered
        context = unique >> np.uint64(bits)
        first = run_starts(context)
        parents = np.searchsorted(packed_before, context[first])
        parent = np.repeat(parents, np.diff(np.append(first, len(context))))
        token = (unique & np.uint64((1 << bits) - 1)).astype(np.int64)
        keys.append(parent * vocab_size + token)
        packed_before = unique
        used += bits
    return NgramCounts(NgramTree(vocab_size, tuple(keys)), tuple(counts))


def merge_counts(parts: Iterable[NgramCounts]) -> NgramCounts:
    """Add up the counts of several pieces of text; equal to counting them together."""
    parts = list(parts)
    tree, places = merge_trees([part.tree for part in parts])
    totals = [np.zeros(tree.size(level), dtype=np.int64) for level in range(1, tree.order + 1)]
    for part, place in zip(parts, places, strict=True):
        for total, at, count in zip(totals, place, part.counts, strict=False):
            total[at] += count
    return NgramCounts(tree, tuple(totals))
