"""From a language model's state to the words it stands for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from nearkey.decode.protocols import LanguagePack, State, TableLanguageModel

__all__ = ["RecentWords", "recent_words"]

RecentWords = Callable[[State], tuple[str, ...]]
"""Gives the words a state stands for, the oldest first; () where it cannot tell."""


def recent_words(pack: LanguagePack) -> RecentWords:
    """The reader of states that fits a pack's language model.

    States of a table model are token ids; they become the words of the lexicon, ``<s>`` for the
    sentence's start and ``<unk>`` for everything else. A state that is a sequence of strings is
    taken as the words themselves. Any other state tells nothing: only words without context are
    then learnt.
    """
    model = pack.language_model
    if isinstance(model, TableLanguageModel):
        return _of_tokens(pack, model)
    return _of_strings


def _of_strings(state: State) -> tuple[str, ...]:
    if isinstance(state, Sequence) and not isinstance(state, str):
        words = tuple(state)
        if all(isinstance(word, str) for word in words):
            return words
    return ()


def _of_tokens(pack: LanguagePack, model: TableLanguageModel) -> RecentWords:
    words = pack.lexicon.words
    table = model.table
    position = np.full(int(table.vocab), -1, dtype=np.int64)
    tokens = np.asarray(model.tokens(words), dtype=np.int64)
    position[tokens] = np.arange(len(tokens))
    position[int(table.unk)] = -1
    start = int(table.bos)

    def read(state: State) -> tuple[str, ...]:
        return tuple(
            words[position[token]]
            if position[token] >= 0
            else ("<s>" if token == start else "<unk>")
            for token in state or ()
        )

    return read
