"""The study log's schema: one header line, then one event a line (JSON Lines, format 1).

The wire types are msgspec structs rather than dataclasses because a union of tagged structs checks
type, fields and bounds of a line in one pass. A field a program needs for itself goes into `extra`;
any other unknown field is an error, so that a misspelt name is not lost in silence.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

import msgspec

__all__ = [
    "ACTION_RECORDS",
    "FORMAT",
    "VERSION",
    "AcceptRecord",
    "ActionRecord",
    "CandidatesRecord",
    "CommitRecord",
    "CursorRecord",
    "DeleteRecord",
    "EndRecord",
    "Origin",
    "PromptRecord",
    "RedoRecord",
    "RestRecord",
    "StudyHeader",
    "StudyRecord",
    "TapRecord",
    "TextRecord",
    "UndoRecord",
]

FORMAT = "nearkey-study"
VERSION = 1

Count = Annotated[int, msgspec.Meta(ge=0)]
Ordinal = Annotated[int, msgspec.Meta(ge=1)]
# A pseudonym, not a name or an address; also safe as part of a file name.
Name = Annotated[str, msgspec.Meta(pattern=r"^[A-Za-z0-9_.\-]{1,64}$")]
Origin = Literal["person", "simulated", "invented"]


class StudyHeader(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """First line of a log: whose typing this is, under which condition, and where it comes from.

    `participant` is a pseudonym (letters, digits, "_", "-", "."). `condition` names what the study
    compares, usually the layout. `origin` has no default, so that no simulated or invented log can
    pass for a person's. `session` counts a participant's sittings from 1.
    `block` is the block of every prompt that names none.
    """

    format: Literal["nearkey-study"] = "nearkey-study"
    version: Ordinal = VERSION
    participant: Name
    condition: Name
    origin: Origin
    session: Ordinal = 1
    block: Ordinal = 1
    layout: str | None = None
    language: str | None = None
    device: str | None = None
    started: str | None = None
    extra: dict[str, Any] | None = None


def _tag(name: str) -> str:
    """The `type` of a record in the file: its class's name in short."""
    return name.removesuffix("Record").lower()


class _Record(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    tag_field="type",
    tag=_tag,
    forbid_unknown_fields=True,
    omit_defaults=True,
):
    """What every record has: `t`, seconds on a clock that never goes back within a trial."""

    t: float
    extra: dict[str, Any] | None = None


class _TextAction(_Record, frozen=True, kw_only=True):
    """An action that leaves a text: the whole text after it, as the person sees it, and the presses it took."""

    text: str
    presses: Count = 1


class PromptRecord(_Record, frozen=True, kw_only=True):
    """A phrase is shown: a trial begins. `text` is the presented text, at least one character."""

    text: Annotated[str, msgspec.Meta(min_length=1)]
    block: Ordinal | None = None
    trial: Ordinal | None = None
    practice: bool = False


class CandidatesRecord(_Record, frozen=True, kw_only=True):
    """Words offered, best first. Not an action."""

    words: tuple[str, ...]


class TapRecord(_TextAction, frozen=True, kw_only=True):
    """A touch that enters text. `x`, `y` in layout units; `key` the id of the key where that is known."""

    x: float | None = None
    y: float | None = None
    key: str | None = None


class AcceptRecord(_TextAction, frozen=True, kw_only=True):
    """A candidate is chosen. `rank` is its place in the list, 0 the first."""

    rank: Count
    word: str | None = None


class CommitRecord(_TextAction, frozen=True, kw_only=True):
    """The composition becomes text.

    `presses` is 0 where this follows of itself, 1 where a key was pressed for it. `rank` is given
    where the word was taken by moving on, without an accept before it.
    """

    rank: Count | None = None
    word: str | None = None


class TextRecord(_TextAction, frozen=True, kw_only=True):
    """Text entered in any other way: a key with letters on it, pasting, another device."""


class DeleteRecord(_TextAction, frozen=True, kw_only=True):
    """Something is deleted: a character, a touch, or a whole word."""


class UndoRecord(_TextAction, frozen=True, kw_only=True):
    """The last step is taken back."""


class RedoRecord(_TextAction, frozen=True, kw_only=True):
    """A step taken back is done again."""


class CursorRecord(_Record, frozen=True, kw_only=True):
    """The cursor moves, or a key such as shift changes what the next one does; no text changes."""

    position: Count | None = None
    presses: Count = 1


class RestRecord(_Record, frozen=True, kw_only=True):
    """A pause between trials."""

    seconds: Annotated[float, msgspec.Meta(ge=0)] | None = None


class EndRecord(_Record, frozen=True, kw_only=True):
    """The trial ends. `text` repeats the final text; `aborted` leaves the trial out of measures."""

    text: str | None = None
    aborted: bool = False


ActionRecord = (
    TapRecord
    | AcceptRecord
    | CommitRecord
    | TextRecord
    | DeleteRecord
    | UndoRecord
    | RedoRecord
    | CursorRecord
)
ACTION_RECORDS = get_args(ActionRecord)
StudyRecord = PromptRecord | CandidatesRecord | ActionRecord | RestRecord | EndRecord
