"""A KenLM or ARPA model of one's own in the place of a pack's word model."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError, PackError
from nearkey.language.models import SENTENCE_END
from nearkey.language.tokens import normalise_word, sentences

__all__ = ["KenlmModel"]

_LN10 = math.log(10.0)


class KenlmModel:
    """A language model for the decoder, read by KenLM: its binary files and ARPA files.

    Words are looked up in lower case, as nearkey's own estimator counts them; a word the model lacks gets
    its ``<unk>`` probability. The decoder scores every word of the length with such a model, as its kernel
    cannot read it; a pack's own table is faster.

    Raises NearkeyError where kenlm is not installed, PackError for a file it cannot read.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        try:
            import kenlm
        except ImportError:
            raise NearkeyError(
                "needs kenlm", where=os.fspath(path), fix="pip install 'nearkey[build]'"
            ) from None
        if not Path(path).is_file():
            raise PackError("no such file", where=os.fspath(path), fix="check the path")
        try:
            self._model: Any = kenlm.Model(os.fspath(path))
        except (OSError, RuntimeError) as fault:
            raise PackError(
                f"KenLM cannot read it: {fault}",
                where=os.fspath(path),
                fix="name an ARPA or KenLM file",
            ) from None
        self._kenlm: Any = kenlm
        self.order: int = int(self._model.order)

    def start(self) -> tuple[str, ...]:
        """The state at the start of a sentence: words so far, ``<s>`` first."""
        return ("<s>",)

    def advance(self, state: tuple[str, ...], word: str) -> tuple[str, ...]:
        """The state after one more word."""
        return (*state, normalise_word(word))[-max(1, self.order - 1) :]

    def state_after(self, text: str) -> tuple[str, ...]:
        """The state after running text."""
        state = self.start()
        found = list(sentences(text.splitlines()[-1:]))
        if found and found[-1].punctuation[-1] not in SENTENCE_END:
            for word in found[-1].words:
                state = self.advance(state, word)
        return state

    def log_probs(self, state: tuple[str, ...], words: Sequence[str]) -> NDArray[np.float64]:
        """Natural log P(word | state) for each word, (n_words,)."""
        before, after = self._kenlm.State(), self._kenlm.State()
        if state and state[0] == "<s>":
            self._model.BeginSentenceWrite(before)
            state = state[1:]
        else:
            self._model.NullContextWrite(before)
        for word in state:
            self._model.BaseScore(before, word, after)
            before, after = after, before
        scores = [self._model.BaseScore(before, normalise_word(word), after) for word in words]
        return np.array(scores, dtype=np.float64) * _LN10

    def log_prob(self, context: str, word: str) -> float:
        """Natural log P(word | context) after running text."""
        return float(self.log_probs(self.state_after(context), [word])[0])
