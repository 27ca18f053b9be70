"""Language scores of all words of one length after a context, as arrays: what an exact posterior needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder, State

__all__ = ["LanguageScores", "LengthGroup"]

Floats = NDArray[np.float64]


class LengthGroup:
    """The entries of one length, in the kernel's order.

    index : (m,) the entries' words. unigram : (m,) their weighted language scores without context.
    A word that can be typed in two ways has two entries.
    """

    def __init__(self, index: NDArray[np.uint32], unigram: Floats, n_words: int) -> None:
        self.index = index
        self.unigram = unigram
        self._place = np.full(n_words, -1, dtype=np.int32)
        self._place[index[::-1]] = np.arange(len(index))[::-1]
        self._second = self._place[index] != np.arange(len(index))
        self._repeats = bool(self._second.any())

    def place(self, word: int) -> int:
        """Where a word's first entry is, -1 where no entry of this length spells it."""
        return int(self._place[word])

    def best_of_each(self, score: Floats) -> Floats:
        """Scores with each word's best way of being typed in its first entry, and none in the others."""
        if not self._repeats:
            return score
        second = np.flatnonzero(self._second)
        best = score.copy()
        np.maximum.at(best, self._place[self.index[second]], score[second])
        best[second] = -np.inf
        return best


class LanguageScores:
    """lm_weight * log P(word | context) for a decoder's words, a length at a time."""

    def __init__(self, decoder: Decoder) -> None:
        self._words = decoder.pack.lexicon.words
        self._model = decoder.pack.language_model
        self._weight = decoder.lm_weight
        self._unigram = np.asarray(decoder.pack.lexicon.log_probs, dtype=np.float64)
        self._groups: dict[int, LengthGroup] = {}

    def group(self, length: int, index: NDArray[np.uint32]) -> LengthGroup:
        """The entries of a length; `index` is what the kernel lists for it."""
        found = self._groups.get(length)
        if found is None:
            unigram = self._weight * self._unigram[index]
            found = self._groups[length] = LengthGroup(index.copy(), unigram, len(self._words))
        return found

    def of(self, group: LengthGroup, state: State | None) -> Floats:
        """Weighted language scores of a group after a context, (m,)."""
        if state is None:
            return group.unigram
        found = np.asarray(self._model.log_probs(state), dtype=np.float64)
        return self._weight * found[group.index]
