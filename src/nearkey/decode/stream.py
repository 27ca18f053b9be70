"""A word that grows touch by touch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

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
        self._rows: list[NDArray[np.float64]] = []
        speller = decoder.speller
        self._spelling = speller.start() if speller is not None else None

    def __len__(self) -> int:
        return len(self._rows)

    def tap(self, x: float, y: float) -> list[Candidate]:
        """Add a touch (layout units) and answer with the candidates. Raises `DecodeError` for numbers not finite."""
        row = self._decoder.rows([(x, y)])
        if self._spelling is not None:
            self._spelling.push(self._decoder.searcher, row)
        self._rows.append(row)
        return self.candidates()

    def undo(self) -> list[Candidate]:
        """Take the last touch back. Raises `DecodeError` when there is none."""
        if not self._rows:
            raise DecodeError(
                "no touch to take back", where="Stream", field="undo", fix="tap first"
            )
        self._rows.pop()
        if self._spelling is not None:
            self._spelling.pop()
        return self.candidates()

    def candidates(self) -> list[Candidate]:
        """The candidates for the touches so far; predictions when there are none."""
        decoder = self._decoder
        rows = np.concatenate(self._rows) if self._rows else np.zeros((0, 2))
        return decoder.live_candidates(
            rows, self._state, self._k, personal=self._personal, spelling=self._spelling
        )
