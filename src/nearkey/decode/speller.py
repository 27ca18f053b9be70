"""Words no dictionary has: letter strings under the pack's letter model."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import SpellingModel

_WIDTH = 16
"""Of the beam: an unknown word is one candidate among others."""


class LetterSpeller:
    """The letter model over a layout's letters.

    Parameters
    ----------
    model : the pack's letter model.
    letters : the layout's letters, sorted. weight : lm_weight of the decoder.
    """

    def __init__(self, model: SpellingModel, letters: str, *, weight: float) -> None:
        self.letters = letters
        self._table = model.table
        self._token: NDArray[np.uint32] = np.asarray(model.tokens(letters), dtype=np.uint32)
        self.kernel = _kernel.Speller(self._table, self._token, weight, _WIDTH)

    def start(self) -> _kernel.Spelling:
        """A growing word."""
        return _kernel.Spelling(self.kernel)

    def next_letters(self, before: str) -> NDArray[np.float64]:
        """Natural log probability of each letter after those of a word so far, (n_letters,)."""
        known = {
            letter: int(token) for letter, token in zip(self.letters, self._token, strict=True)
        }
        context = [self._table.bos, *(known.get(c, self._table.unk) for c in before)]
        return self._table.log_probs(context, self._token)
