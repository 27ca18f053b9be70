"""How a session stands: everything about it that can be looked at, read from its state."""

from __future__ import annotations

from typing import Literal

from nearkey.decode import Candidate
from nearkey.session.history import START, State
from nearkey.session.protocols import Point
from nearkey.session.reader import Reader
from nearkey.session.settings import Settings

__all__ = ["Standing"]


class Standing:
    """The readable half of a `Session`. Looking changes nothing; the decoder is asked when needed."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._state: State = START

    @property
    def state(self) -> State:
        """The whole state, immutable; see `nearkey.session.step`."""
        return self._state

    @property
    def text(self) -> str:
        """The text, the word in the making included, as a commit would write it."""
        return self._reader.view(self._state.content)[0]

    @property
    def cursor(self) -> int:
        """The cursor's position in the text, in characters."""
        return self._reader.view(self._state.content)[1]

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """Readings of the word in the making, best first; predictions where there is none."""
        return self._reader.candidates(self._state.content)

    @property
    def word(self) -> str:
        """The word in the making as it stands in the text; "" where there is none."""
        return self._reader.shown(self._state.content)

    @property
    def touches(self) -> tuple[Point, ...]:
        """The touches of the word in the making, in layout units."""
        word = self._state.content.open
        return () if word is None else word.points

    def letters(self, at: int | None = None) -> tuple[tuple[str, float], ...]:
        """What `pick` chooses from: letters one touch may mean, best first, natural log scores.

        at : the touch, from 0; None is the first without a chosen letter.
        """
        return self._reader.letters(self._state.content, at)

    @property
    def marks(self) -> tuple[tuple[str, float], ...]:
        """Marks that may follow here, best first, with natural log probabilities."""
        content = self._state.content
        before = self._reader.context(content.before)
        return self._reader.marks_after(before + self._reader.shown(content))

    @property
    def shift_mode(self) -> Literal["", "upper", "lower"]:
        """What shift says about the next letter."""
        mode = self._state.content.shift
        return "" if mode == "lock" else mode

    @property
    def caps(self) -> bool:
        """Whether capitals lock is on."""
        return self._state.content.caps

    @property
    def spelling(self) -> bool:
        """Whether words are spelled letter by letter."""
        return self._state.content.spell

    @property
    def can_undo(self) -> bool:
        """Whether there is an event to take back."""
        return self._state.past is not None

    @property
    def can_redo(self) -> bool:
        """Whether there is an event to do again."""
        return self._state.future is not None

    @property
    def settings(self) -> Settings:
        """What the session runs with."""
        return self._reader.settings
