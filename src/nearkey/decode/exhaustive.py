"""The slow, obvious answer: every word of the right length scored, no search.

What the kernel is checked against and measured against; no part of live use.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.decode.decoder import Decoder
from nearkey.decode.protocols import State, TableLanguageModel
from nearkey.decode.spelling import spell_words


class Exhaustive:
    """Scores all words with as many letters as there are touches, in numpy; no edits, no completions.

    Takes the parts of a `Decoder`, and none of its kernel. words : by number of letters, the index of each entry of
    the lexicon. columns : the columns of their letters, a row a letter.
    """

    def __init__(self, decoder: Decoder) -> None:
        self.decoder = decoder
        words = decoder.pack.lexicon.words
        spelling = spell_words(words, decoder.letters)
        lengths = np.diff(spelling.offsets.astype(np.int64))
        columns = decoder.columns.letter.astype(np.int64)[spelling.letters]
        self.words: dict[int, NDArray[np.int64]] = {}
        self.columns: dict[int, NDArray[np.int64]] = {}
        for length in np.unique(lengths):
            entry = np.flatnonzero(lengths == length)
            self.words[int(length)] = spelling.word[entry].astype(np.int64)
            starts = spelling.offsets[entry].astype(np.int64)
            # One row a touch, so that the sum runs over whole columns.
            self.columns[int(length)] = np.ascontiguousarray(
                columns[starts[:, None] + np.arange(length)].T
            )
        model = decoder.pack.language_model
        if isinstance(model, TableLanguageModel):
            self._tokens = np.asarray(model.tokens(words), dtype=np.uint32)
        self._unigram = np.asarray(decoder.pack.lexicon.log_probs, dtype=np.float64)

    def language(self, index: NDArray[np.int64], state: State | None) -> NDArray[np.float64]:
        """Natural log P(word | state) of words by index; without context for None."""
        if state is None:
            return self._unigram[index]
        model = self.decoder.pack.language_model
        if isinstance(model, TableLanguageModel):
            return np.asarray(model.table.log_probs(state, self._tokens[index]), dtype=np.float64)
        return np.asarray(model.log_probs(state)[index], dtype=np.float64)

    def decode(
        self, points: ArrayLike, *, state: State | None = None, k: int = 5
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """The k best words by index and their scores, best first."""
        rows = np.asarray(points, dtype=np.float64)
        n = len(rows)
        if n not in self.words:
            return np.zeros(0, np.int64), np.zeros(0)
        density = self.decoder.columns.pooled(self.decoder.touch.log_prob(rows))
        columns, index = self.columns[n], self.words[n]
        score = density[0].take(columns[0])
        for i in range(1, n):
            score += density[i].take(columns[i])
        score += self.decoder.lm_weight * self.language(index, state)
        keep = min(len(score), 2 * k)
        best = np.argpartition(-score, keep - 1)[:keep]
        best = best[np.argsort(-score[best], kind="stable")]
        # A word with two spellings counts once.
        _, first = np.unique(index[best], return_index=True)
        best = best[np.sort(first)][:k]
        return index[best], score[best]
