"""A pack's words as the kernel walks them, with and without context."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import LanguagePack
from nearkey.decode.spelling import SpelledWords, spell_words

__all__ = ["Tries"]


class Tries:
    """The tries of a pack over the letters of a layout; every lettering with the same letters shares them.

    Without context a word has the lexicon's own probability. With context the search's bounds speak of the
    n-gram table's unigrams, which differ: smoothing makes them the share of contexts a word follows. So
    there are two sets, each made when first used.
    """

    def __init__(self, pack: LanguagePack, letters: str) -> None:
        self.pack = pack
        self.letters = letters
        self.table: _kernel.NgramTable | None = getattr(pack.language_model, "table", None)

    @cached_property
    def _spelling(self) -> SpelledWords:
        return spell_words(self.pack.lexicon.words, self.letters)

    @cached_property
    def _tokens(self) -> NDArray[np.uint32]:
        model: Any = self.pack.language_model
        return np.ascontiguousarray(model.tokens(self.pack.lexicon.words), dtype=np.uint32)

    @cached_property
    def plain(self) -> _kernel.Lexicon:
        """Words with the lexicon's probabilities."""
        return self._lexicon(np.asarray(self.pack.lexicon.log_probs, dtype=np.float32))

    @cached_property
    def contextual(self) -> _kernel.Lexicon:
        """Words with the table's unigram probabilities; the lexicon's for words the table lacks."""
        assert self.table is not None
        log_probs = np.array(self.pack.lexicon.log_probs, dtype=np.float32)
        known = self._tokens != self.table.unk
        log_probs[known] = self.table.log_probs((), np.ascontiguousarray(self._tokens[known]))
        return self._lexicon(log_probs)

    def _lexicon(self, log_probs: NDArray[np.float32]) -> _kernel.Lexicon:
        spelling = self._spelling
        return _kernel.Lexicon(
            spelling.letters,
            spelling.offsets,
            spelling.word,
            np.ascontiguousarray(log_probs[spelling.word]),
            len(self.letters),
            len(self.pack.lexicon),
        )

    def searcher(
        self,
        columns: NDArray[np.uint32],
        lm_weight: float,
        emitter: _kernel.Emitter | None,
        *,
        context: bool,
    ) -> _kernel.Searcher:
        """The search of one layout and touch model; with context where the pack has a table."""
        if context:
            return _kernel.Searcher(
                self.contextual, self.table, self._tokens, columns, lm_weight, emitter
            )
        return _kernel.Searcher(
            self.plain, None, np.zeros(0, np.uint32), columns, lm_weight, emitter
        )
