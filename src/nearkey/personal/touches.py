"""`TouchLearner`: a decoder whose touch model follows one person's confirmed words."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.decode import Candidate, Decoder
from nearkey.decode.protocols import State, TouchModel
from nearkey.personal.errors import PersonalError
from nearkey.personal.labels import key_shares, meant
from nearkey.personal.reader import OwnWords

__all__ = ["AdaptiveTouch", "ConfirmedWord", "TouchLearner"]

# Readings over which a doubtful label is spread.
_READINGS = 5


class AdaptiveTouch(TouchModel, Protocol):
    """A touch model that learns one person, such as `nearkey.touch.PersonTouch`."""

    def observe(self, points: ArrayLike, *, responsibilities: ArrayLike) -> Any:
        """Learn touches (n, 2) from soft labels (n, n_keys), whose rows sum to at most 1."""

    def copy(self) -> Self:
        """An independent copy."""

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model to a file."""


class ConfirmedWord(Protocol):
    """One word that a person let stand, as a session tells of it."""

    @property
    def word(self) -> str: ...
    @property
    def context(self) -> str: ...
    @property
    def points(self) -> Sequence[tuple[float, float]]: ...
    @property
    def kind(self) -> str: ...
    @property
    def explicit(self) -> bool: ...


@dataclass(frozen=True, slots=True, eq=False)
class _Touches:
    """One word's touches as they were learnt."""

    token: int
    points: NDArray[np.float64]
    shares: NDArray[np.float64]


class TouchLearner:
    """Learns one person's touches from her confirmed words.

    Parameters
    ----------
    decoder : the decoder everybody has: its layout, its pack and its options stay.
    touch : the person's touch model, with a column for each key of the decoder's letters. It is
        taken over: this object alone teaches it.
    fresh : what `reset` goes back to; `touch` as it is now unless given.
    words : the person's words; they help to judge the other readings where labels are soft.
    doubt : how probable it is that a word the person chose herself was confirmed wrongly.
    doubt_moved_on : the same where she merely moved on to the next word.
    soft_labels : spread a doubtful word's touches over the decoder's other readings of them, by
        their posterior; without it the doubt only makes the label weigh less.
    undo_words : the touches of the last so many words can be taken back exactly.
    first_token : number of the first lesson. Unless given it is read off the clock, so that tokens
        that outlived a crash never name a lesson learnt after it.

    `on_change`, where set, is called after each lesson and each one taken back.
    """

    def __init__(
        self,
        decoder: Decoder,
        touch: AdaptiveTouch,
        *,
        fresh: AdaptiveTouch | None = None,
        words: OwnWords | None = None,
        doubt: float = 0.02,
        doubt_moved_on: float = 0.1,
        soft_labels: bool = False,
        undo_words: int = 200,
        first_token: int | None = None,
    ) -> None:
        for name, value in (("doubt", doubt), ("doubt_moved_on", doubt_moved_on)):
            if not 0.0 <= value < 1.0:
                raise PersonalError(f"is {value}", field=name, fix="give a share from 0, below 1")
        self.doubt = doubt
        self.doubt_moved_on = doubt_moved_on
        self.soft_labels = soft_labels
        self._words = words
        self._undo_words = undo_words
        self.on_change: Callable[[], None] | None = None
        self._touch = touch
        self._fresh = (touch if fresh is None else fresh).copy()
        # What is past taking back; the touches since then are kept, to be learnt anew without one.
        self._settled = touch.copy()
        self._recent: deque[_Touches] = deque()
        self._next = time.time_ns() // 1000 if first_token is None else first_token
        self._current = decoder.with_layout(decoder.layout, touch.copy())
        self._stale = False
        columns = self._current.columns
        self._column = dict(zip(columns.letters, columns.letter.tolist(), strict=True))

    @property
    def decoder(self) -> Decoder:
        """The decoder with the person's touch model as it is now; another one after each lesson."""
        if self._stale:
            self._current = self._current.with_layout(self._current.layout, self._touch.copy())
            self._stale = False
        return self._current

    @property
    def touch(self) -> AdaptiveTouch:
        """A copy of the touch model as it is now."""
        return self._touch.copy()

    def confirm(self, lesson: ConfirmedWord, /) -> int | None:
        """Learn from a word a session reports; as `learn`."""
        return self.learn(
            lesson.word,
            lesson.points,
            context=lesson.context,
            kind=lesson.kind,
            explicit=lesson.explicit,
        )

    def learn(
        self,
        word: str,
        points: ArrayLike,
        *,
        context: str | State = "",
        kind: str = "word",
        explicit: bool = True,
    ) -> int | None:
        """Learn from the touches (n, 2), in layout units, of a word that was let stand.

        kind : `Candidate.kind` of the reading. explicit : the person chose it; False where she
        moved on. Returns the token for `retract`; None where nothing was learnt, because the touches
        are not one a letter: an edited, unfinished or predicted word.
        """
        rows = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if len(rows) == 0 or kind not in ("word", "spelled"):
            return None
        doubt = self.doubt if explicit else self.doubt_moved_on
        readings: Sequence[Candidate] = ()
        if self.soft_labels and doubt > 0.0:
            readings = self.decoder.decode(rows, context=context, k=_READINGS, personal=self._words)
        shares = key_shares(
            meant(word, readings, doubt=doubt),
            self._column,
            n_touches=len(rows),
            n_keys=len(self._touch.key_ids),
        )
        if shares is None:
            return None
        columns = self._current.columns
        if len(columns.symbols) > 1:
            shares = columns.apportioned(shares, self._touch.log_prob(rows))
        lesson = _Touches(self._next, rows, shares)
        self._touch.observe(rows, responsibilities=shares)
        self._next += 1
        self._stale = True
        self._recent.append(lesson)
        while len(self._recent) > self._undo_words:
            settled = self._recent.popleft()
            self._settled.observe(settled.points, responsibilities=settled.shares)
        self._tell()
        return lesson.token

    def retract(self, token: int | str, /) -> bool:
        """Take one word's touches back, as if they had never been learnt.

        Returns whether there was such a lesson: False when it was taken back before, or lies further
        back than `undo_words` words, or before this object was made.
        """
        kept = [lesson for lesson in self._recent if lesson.token != token]
        if len(kept) == len(self._recent):
            return False
        self._recent = deque(kept)
        self._touch = self._settled.copy()
        for lesson in kept:
            self._touch.observe(lesson.points, responsibilities=lesson.shares)
        self._stale = True
        self._tell()
        return True

    def reset(self) -> None:
        """Forget all that was learnt."""
        self._touch, self._settled = self._fresh.copy(), self._fresh.copy()
        self._recent.clear()
        self._stale = True

    def _tell(self) -> None:
        if self.on_change is not None:
            self.on_change()
