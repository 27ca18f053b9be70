"""N-grams as a tree of sorted arrays: the shape that counts, models and the table file share.

Level k (from 1) holds the n-grams of k tokens. An entry names its parent (the entry of level k-1 that
spells its first k-1 tokens) and its last token; a level is sorted by (parent, token). Level 1 is the
whole vocabulary, entry = token id.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import find_sorted

IntArray = NDArray[np.int64]


def run_starts(sorted_keys: NDArray[Any]) -> NDArray[np.int64]:
    """Positions where a new value begins in a sorted array."""
    if sorted_keys.size == 0:
        return np.zeros(0, dtype=np.int64)
    return np.concatenate(([0], np.flatnonzero(sorted_keys[1:] != sorted_keys[:-1]) + 1))


@dataclass(frozen=True, slots=True)
class NgramTree:
    """The n-grams themselves, without values.

    Parameters
    ----------
    vocab_size : number of token ids; level 1 has that many entries.
    keys : for each level from 2 up, the sorted ``parent * vocab_size + token`` as int64.
    """

    vocab_size: int
    keys: Sequence[IntArray]
    _suffix: dict[int, IntArray] = field(default_factory=dict, repr=False, compare=False)

    @property
    def order(self) -> int:
        """Number of levels."""
        return len(self.keys) + 1

    def size(self, level: int) -> int:
        """Number of entries at `level` (from 1)."""
        return self.vocab_size if level == 1 else len(self.keys[level - 2])

    def sizes(self) -> tuple[int, ...]:
        """Number of entries of each level."""
        return tuple(self.size(level) for level in range(1, self.order + 1))

    def parent(self, level: int) -> IntArray:
        """Entry of level-1 that spells the context of each entry of `level` (from 2)."""
        return self.keys[level - 2] // self.vocab_size

    def token(self, level: int) -> IntArray:
        """Last token of each entry."""
        if level == 1:
            return np.arange(self.vocab_size)
        return self.keys[level - 2] % self.vocab_size

    def child(self, level: int) -> IntArray:
        """Offsets ``(size(level) + 1,)`` of the children of each entry among level + 1."""
        bounds = np.arange(self.size(level) + 1) * self.vocab_size
        return np.searchsorted(self.keys[level - 1], bounds)

    def lookup(self, level: int, parent: IntArray, token: IntArray) -> IntArray:
        """Entries of `level` with these parents and last tokens; -1 where there is none or no parent."""
        if level == 1:
            return token.astype(np.int64)
        # A missing parent makes a key below 0, which no entry has.
        return find_sorted(self.keys[level - 2], parent * self.vocab_size + token)

    def suffix(self, level: int) -> IntArray:
        """For each entry of `level` (from 2), the entry of level-1 that spells all but its first token.

        -1 where that n-gram is absent (possible after pruning).
        """
        if level not in self._suffix:
            token = self.token(level)
            if level == 2:
                self._suffix[level] = token
            else:
                context = self.suffix(level - 1)[self.parent(level)]
                self._suffix[level] = self.lookup(level - 1, context, token)
        return self._suffix[level]

    def first_token(self, level: int) -> IntArray:
        """First token of each entry."""
        first = np.arange(self.vocab_size)
        for above in range(2, level + 1):
            first = first[self.parent(above)]
        return first

    def token_matrix(self, level: int) -> IntArray:
        """All tokens of each entry, shape ``(size, level)``."""
        columns = [self.token(level)]
        parent = self.parent(level) if level > 1 else None
        for below in range(level - 1, 0, -1):
            assert parent is not None
            columns.append(self.token(below)[parent])
            if below > 1:
                parent = self.parent(below)[parent]
        return np.stack(columns[::-1], axis=1)

    def find(self, tokens: IntArray) -> IntArray:
        """Entries that spell the rows of `tokens` ``(n, k)``; -1 where absent."""
        at = tokens[:, 0].astype(np.int64)
        for level in range(2, tokens.shape[1] + 1):
            at = self.lookup(level, at, tokens[:, level - 1])
        return at

    def filtered(self, keep: list[NDArray[np.bool_]]) -> NgramTree:
        """The tree of the entries to keep (`keep[0]` is for level 2); parents of kept entries must be kept."""
        keys: list[IntArray] = []
        renumber: IntArray | None = None
        for level in range(2, self.order + 1):
            kept = self.keys[level - 2][keep[level - 2]]
            if renumber is not None:
                kept = renumber[kept // self.vocab_size] * self.vocab_size + kept % self.vocab_size
            keys.append(kept)
            renumber = np.cumsum(keep[level - 2]) - 1
        return NgramTree(self.vocab_size, tuple(keys))


def merge_trees(
    trees: Sequence[NgramTree],
    counts: Sequence[Sequence[IntArray]] = (),
    *,
    block: int | None = None,
    scratch: Callable[[int, int, int], IntArray] | None = None,
) -> tuple[NgramTree, tuple[IntArray, ...], list[list[IntArray]]]:
    """The union of several trees over one vocabulary; its counts, where those are given, an array per level; and for
    each tree the places of its own entries in the union, an array per level.

    Parameters
    ----------
    trees : their keys, and the counts, may be memory maps; a level's are asked for once.
    counts : for each tree, counts of its entries by level, to be added up.
    block : entries to work on at a time, over all trees; all of them by default.
    scratch : makes an array for (level, number of the tree, size) on the disk, for the places of one level
        at a time; places are then not returned.
    """
    vocab_size = trees[0].vocab_size
    places: list[list[IntArray]] = [[np.arange(vocab_size)] for _ in trees]
    keys: list[IntArray] = []
    totals = [np.zeros(vocab_size, dtype=np.int64)] if counts else []
    for levels in counts:
        totals[0] += levels[0]
    for level in range(2, max(tree.order for tree in trees) + 1):
        inside = [i for i, tree in enumerate(trees) if tree.order >= level]
        parts = [trees[i].keys[level - 2] for i in inside]
        for i, part in zip(inside, parts, strict=True):
            size = len(part)
            places[i].append(scratch(level, i, size) if scratch else np.empty(size, dtype=np.int64))
            if scratch:
                del places[i][:-2]
        own = [counts[i][level - 1] for i in inside] if counts else []
        longest = max(map(len, parts))
        step = longest if block is None else max(1024, block // len(parts))
        cursor = [0] * len(parts)
        merged: list[IntArray] = [np.zeros(0, dtype=np.int64)]
        sums = [np.zeros(0, dtype=np.int64)]
        written = 0
        while any(at < len(part) for at, part in zip(cursor, parts, strict=True)):
            # A tree's keys name parents by its own numbering. The union's keeps their order, so keys stay
            # sorted when they are renumbered.
            heads = [
                _renumbered(part[at : at + step], None if level == 2 else places[i][-2], vocab_size)
                for i, at, part in zip(inside, cursor, parts, strict=True)
            ]
            # All keys up to the smallest of the heads' last ones are complete.
            last = [
                head[-1]
                for head, at, part in zip(heads, cursor, parts, strict=True)
                if len(head) and at + len(head) < len(part)
            ]
            if last:
                heads = [head[: np.searchsorted(head, min(last), side="right")] for head in heads]
            union = np.sort(np.concatenate(heads))
            union = union[run_starts(union)]
            total = np.zeros(len(union), dtype=np.int64)
            for number, (i, head) in enumerate(zip(inside, heads, strict=True)):
                span = slice(cursor[number], cursor[number] + len(head))
                at = np.searchsorted(union, head)
                places[i][-1][span] = at + written
                if counts:
                    total[at] += own[number][span]
                cursor[number] = span.stop
            merged.append(union)
            sums.append(total)
            written += len(union)
        keys.append(np.concatenate(merged))
        if counts:
            totals.append(np.concatenate(sums))
    return NgramTree(vocab_size, tuple(keys)), tuple(totals), [] if scratch else places


def _renumbered(keys: IntArray, place: IntArray | None, vocab_size: int) -> IntArray:
    """Keys with the places of their parents; at level 2 the parents are tokens, the same for all."""
    if place is None:
        return np.asarray(keys)
    renumbered: IntArray = place[keys // vocab_size] * vocab_size + keys % vocab_size
    return renumbered
