"""A word that grows touch by touch."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from nearkey.decode.candidates import Candidate
from nearkey.decode.overlay import PersonalWords
from nearkey.decode.protocols import State
from nearkey.errors import DecodeError

if TYPE_CHECKING:
    from nearkey.decode.decoder import Decoder

__all__ = ["Stream"]


class Stream:
    """Touches in, candidates out, one at a time; the answers are those of `Decoder.candidates`.

    Each touch extends the letter model's beam by one step; `undo` takes it off at no cost. The word search
    is made afresh at each touch: it takes some 10 microseconds. Not shared between threads.
    """

    def __init__(
        self, decoder: Decoder, state: State, k: int, personal: PersonalWords | None
    ) -> None:
        self._decoder = decoder
        self._state = state
        self._k = k
        self._personal = personal
        width = 2 if decoder.by_points else decoder.columns.n_kept
        self._rows = np.zeros((16, width))
        self._length = 0
        speller = decoder.speller
        self._spelling = speller.start() if speller is not None else None

    def __len__(self) -> int:
        return self._length

    def tap(self, x: float, y: float) -> list[Candidate]:
        """Add a touch (layout units) and answer with the candidates. Raises `DecodeError` for numbers not finite."""
        if self._decoder.by_points and math.isfinite(x) and math.isfinite(y):
            row: Any = (x, y)
        else:
            row = self._decoder.rows([(x, y)])[0]
        n = self._length
        if n == len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros_like(self._rows)])
        self._rows[n] = row
        self._length = n + 1
        if self._spelling is not None:
            self._spelling.push(self._decoder.searcher, self._rows[n : n + 1])
        return self.candidates()

    def undo(self) -> list[Candidate]:
        """Take the last touch back. Raises `DecodeError` when there is none."""
        if self._length == 0:
            raise DecodeError(
                "no touch to take back", where="Stream", field="undo", fix="tap first"
            )
        self._length -= 1
        if self._spelling is not None:
            self._spelling.pop()
        return self.candidates()

    def candidates(self) -> list[Candidate]:
        """The candidates for the touches so far; predictions when there are none."""
        rows = self._rows[: self._length]
        return self._decoder.live_candidates(
            rows, self._state, self._k, personal=self._personal, spelling=self._spelling
        )
