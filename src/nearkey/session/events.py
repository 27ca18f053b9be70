"""Events: what a person, or a program for them, does to a session."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from nearkey.errors import NearkeyError

__all__ = [
    "Accept",
    "AddWord",
    "CapsLock",
    "Clear",
    "Commit",
    "Delete",
    "Event",
    "Insert",
    "Mark",
    "Move",
    "Pick",
    "Redo",
    "Reopen",
    "Shift",
    "Space",
    "Spell",
    "Tap",
    "Undo",
]


def _number(name: str, value: float, field: str) -> None:
    if not math.isfinite(value):
        raise NearkeyError(
            f"is {value}", where=name, field=field, fix="drop or mend the touch or its time"
        )


def _text(name: str, value: str, field: str) -> None:
    if not isinstance(value, str):
        raise NearkeyError("is not text", where=name, field=field, fix="give a string")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise NearkeyError(
            "holds half of a surrogate pair", where=name, field=field, fix="give whole characters"
        ) from None


@dataclass(frozen=True, slots=True)
class Tap:
    """A touch at x, y (layout units). On a function key it acts as that key's event."""

    x: float
    y: float
    time_s: float = 0.0

    def __post_init__(self) -> None:
        # One test in the common case: a sum of finite numbers this small is finite.
        if not math.isfinite(self.x + self.y + self.time_s):
            for field in ("x", "y", "time_s"):
                _number("tap", getattr(self, field), field)


@dataclass(frozen=True, slots=True)
class Accept:
    """The candidate at this place in the list, from 0, is chosen."""

    rank: int
    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Commit:
    """The open word becomes text; nothing where there is none."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Space:
    """The space key: commits the open word, else makes a space."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A punctuation mark, placed by the spacing rules; inside a word that is being spelled, as it is."""

    text: str
    time_s: float = 0.0

    def __post_init__(self) -> None:
        _text("mark", self.text, "text")


@dataclass(frozen=True, slots=True)
class Insert:
    """Text put in as it is: pasted, dictated, from another keyboard."""

    text: str
    time_s: float = 0.0

    def __post_init__(self) -> None:
        _text("insert", self.text, "text")


@dataclass(frozen=True, slots=True)
class Delete:
    """The delete key."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Move:
    """The cursor to this position in characters; positions past the ends are the ends."""

    position: int
    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Reopen:
    """The word under the cursor is opened again with its touches."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Pick:
    """A letter for one touch of the open word: by place in its list, or the letter itself.

    at : the touch, counted from 0; None is the first one without a chosen letter.
    """

    letter: int | str
    at: int | None = None
    time_s: float = 0.0

    def __post_init__(self) -> None:
        if isinstance(self.letter, str):
            _text("pick", self.letter, "letter")
            if not 1 <= len(self.letter) <= 8 or any(c.isspace() for c in self.letter):
                raise NearkeyError(
                    f"is {self.letter!r}", where="pick", field="letter", fix="give one letter"
                )


@dataclass(frozen=True, slots=True)
class Spell:
    """Spelling letter by letter on or off; None is the other of the two."""

    on: bool | None = None
    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Shift:
    """Case of the next letter; None steps from as written to capital to small and round again."""

    mode: Literal["", "upper", "lower"] | None = None
    time_s: float = 0.0

    def __post_init__(self) -> None:
        if self.mode not in (None, "", "upper", "lower"):
            raise NearkeyError(
                f"is {self.mode!r}",
                where="shift",
                field="mode",
                fix='use "upper", "lower", "" or None',
            )


@dataclass(frozen=True, slots=True)
class CapsLock:
    """Capitals lock on or off; None is the other of the two."""

    on: bool | None = None
    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class AddWord:
    """A word for the person's store."""

    word: str
    time_s: float = 0.0

    def __post_init__(self) -> None:
        _text("add_word", self.word, "word")


@dataclass(frozen=True, slots=True)
class Clear:
    """All text goes, as for a new field or phrase. What was learnt from it stays learnt."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Undo:
    """Takes the last event back."""

    time_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Redo:
    """Does again what was taken back."""

    time_s: float = 0.0


Event = (
    Tap
    | Accept
    | Commit
    | Space
    | Mark
    | Insert
    | Delete
    | Move
    | Reopen
    | Pick
    | Spell
    | Shift
    | CapsLock
    | AddWord
    | Clear
    | Undo
    | Redo
)
