"""N-grams as a tree of sorted arrays: the shape that counts, models and the table file share.

Level k (from 1) holds the n-grams of k tokens. An entry names its parent (the entry of level k-1 that
spells its first k-1 tokens) and its last token; a level is sorted by (parent, token). Level 1 is the
whole vocabulary, entry = token id.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import find_sorted

__all__ = ["NgramTree", "run_starts"]

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
    keys: tuple[IntArray, ...]
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


def merge_trees(trees: list[NgramTree]) -> tuple[NgramTree, list[list[IntArray]]]:
    """The union of several trees over one vocabulary.

    Returns the union, and for each tree the entries of the union that its own entries became, one
    array per level from 1.
    """
    vocab_size = trees[0].vocab_size
    order = max(tree.order for tree in trees)
    places: list[list[IntArray]] = [[np.arange(vocab_size)] for _ in trees]
    keys: list[IntArray] = []
    for level in range(2, order + 1):
        moved = [
            places[i][level - 2][tree.parent(level)] * vocab_size + tree.token(level)
            for i, tree in enumerate(trees)
            if tree.order >= level
        ]
        union = np.sort(np.concatenate(moved))
        union = union[run_starts(union)]
        keys.append(union)
        with_level = iter(moved)
        for i, tree in enumerate(trees):
            if tree.order >= level:
                places[i].append(np.searchsorted(union, next(with_level)))
    return NgramTree(vocab_size, tuple(keys)), places
