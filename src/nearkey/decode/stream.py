"""A word that grows touch by touch."""

from __future__ import annotations

import numpy as np

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate
from nearkey.decode.live import LiveList
from nearkey.decode.protocols import PersonalWords, State
from nearkey.decode.touches import LARGEST_COORDINATE, MOST_TOUCHES, Touches
from nearkey.decode.word_search import WordSearch
from nearkey.errors import DecodeError
from nearkey.one_thread import OneThread


class Stream:
    """Touches in, candidates out, one at a time; the answers are those of `Decoder.candidates`.

    Each touch extends the letter model's beam by one step; `undo` takes it off at no cost. The word search
    is made afresh at each touch: it takes some 20 microseconds. It belongs to the thread that made it: in another one
    every question raises `DecodeError`, until that one has called `take_over`.
    """

    def __init__(
        self,
        search: WordSearch,
        live: LiveList,
        state: State | None,
        k: int,
        personal: PersonalWords | None,
    ) -> None:
        self._thread = OneThread("Stream", DecodeError)
        self._search = search
        self._live = live
        self._state = state
        self._k = k
        self._personal = personal
        self._by_points = search.emitter is not None
        self._rows = np.zeros((16, 2 if self._by_points else search.columns.n_columns))
        self._length = 0
        self._beam = None if search.speller is None else _kernel.Spelling(search.speller)

    def take_over(self) -> None:
        """From now on the calling thread's own; the one that had it must have finished with it."""
        self._thread.take()

    def __len__(self) -> int:
        return self._length

    def tap(self, x: float, y: float) -> list[Candidate]:
        """Add a touch (layout units) and answer with the candidates. Raises `DecodeError` for what is no place, and
        for more than `MOST_TOUCHES`."""
        self._thread.check()
        n = self._length
        if n == MOST_TOUCHES:
            raise DecodeError(
                f"{n} touches in one word", where="Stream", field="tap", fix="begin another word"
            )
        if n == len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros_like(self._rows)])
        limit = LARGEST_COORDINATE
        plain = isinstance(x, float) and isinstance(y, float)  # also numpy's
        if self._by_points and plain and abs(x) <= limit >= abs(y):
            self._rows[n, 0], self._rows[n, 1] = x, y
        else:
            self._rows[n] = self._search.touches(Touches.one((x, y))).rows[0]
        self._length = n + 1
        return self._answer()

    def undo(self) -> list[Candidate]:
        """Take the last touch back. Raises `DecodeError` when there is none."""
        self._thread.check()
        if self._length == 0:
            raise DecodeError(
                "no touch to take back", where="Stream", field="undo", fix="tap first"
            )
        self._length -= 1
        return self._answer()

    def candidates(self) -> list[Candidate]:
        """The candidates for the touches so far; predictions when there are none."""
        self._thread.check()
        return self._answer()

    def _answer(self) -> list[Candidate]:
        touches = Touches(self._rows[: self._length], self._by_points)
        return self._live.candidates(
            touches, self._state, self._k, personal=self._personal, beam=self._beam
        )
