"""Actions: events with everything the decoder had to say about them settled.

An action changes the text without asking anybody, so a journal of actions restores a session
whatever decoder, pack or store is there by then. These structs are the journal's lines too: msgspec
reads and checks a line in one pass, which dataclasses in a tagged union would not allow.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

__all__ = [
    "Action",
    "AddWord",
    "CapsLock",
    "Choose",
    "Clear",
    "Close",
    "Commit",
    "Delete",
    "Insert",
    "Mark",
    "Move",
    "Pick",
    "Redo",
    "Reopen",
    "Shift",
    "Space",
    "Spell",
    "Touch",
    "Undo",
]

Count = Annotated[int, msgspec.Meta(ge=0)]
Full = Annotated[str, msgspec.Meta(min_length=1)]
Letter = Annotated[str, msgspec.Meta(min_length=1, max_length=8)]


class Close(
    msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True
):
    """What the word in the making became.

    text : as written, without the marks that a touch on a symbol key added after it (`marks`).
    word, kind : the lexicon's form and `Candidate.kind`. rank : its place in the list of candidates,
    from 0; None where no list was asked. explicit : the person chose it. mark : it is no word but a
    mark alone.
    """

    text: Full
    word: str = ""
    kind: str = ""
    marks: str = ""
    rank: Count | None = None
    explicit: bool = False
    mark: bool = False


class _Action(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    omit_defaults=True,
    forbid_unknown_fields=True,
    tag_field="type",
    tag=lambda name: "".join(f"_{c.lower()}" if c.isupper() else c for c in name).lstrip("_"),
):
    """t : seconds since the session began."""

    t: float


class Touch(_Action, frozen=True, kw_only=True):
    """A touch on letters, on a symbol key, or on a mark taken as it is; `close` comes first."""

    x: float
    y: float
    role: Literal["letter", "symbol", "mark"] = "letter"
    key: str = ""
    letter: str = ""
    options: str = ""
    close: Close | None = None


class Choose(_Action, frozen=True, kw_only=True):
    """A candidate is accepted; the word stays open until something commits it."""

    close: Close


class Commit(_Action, frozen=True, kw_only=True):
    """The open word becomes text, with a space."""

    close: Close


class Space(_Action, frozen=True, kw_only=True):
    """A space of the person's own."""


class Mark(_Action, frozen=True, kw_only=True):
    """A mark, with the spaces it asks for; or as it is, inside the open word (`literal`)."""

    text: Full
    literal: bool = False
    close: Close | None = None


class Insert(_Action, frozen=True, kw_only=True):
    """Text as it is."""

    text: Full
    close: Close | None = None


class Delete(_Action, frozen=True, kw_only=True):
    """What stands before the cursor: a touch, a character, or a word is opened again."""

    close: Close | None = None


class Move(_Action, frozen=True, kw_only=True):
    """The cursor moves to a position in characters."""

    position: Count
    close: Close | None = None


class Reopen(_Action, frozen=True, kw_only=True):
    """The word under the cursor is opened again, with its touches."""


class Pick(_Action, frozen=True, kw_only=True):
    """A letter is chosen for the touch `at` of the open word, counted from 0."""

    at: Count
    letter: Letter


class Spell(_Action, frozen=True, kw_only=True):
    """Spelling letter by letter is switched on or off."""

    on: bool


class Shift(_Action, frozen=True, kw_only=True):
    """What the next letter is to be: as the decoder writes it (""), a capital, or small."""

    mode: Literal["", "upper", "lower"]


class CapsLock(_Action, frozen=True, kw_only=True):
    """Capitals lock is switched on or off."""

    on: bool


class AddWord(_Action, frozen=True, kw_only=True):
    """A word enters the person's store."""

    word: Full


class Clear(_Action, frozen=True, kw_only=True):
    """All text goes."""


class Undo(_Action, frozen=True, kw_only=True):
    """The last action is taken back."""


class Redo(_Action, frozen=True, kw_only=True):
    """An action taken back is done again."""


Action = (
    Touch
    | Choose
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
