"""The study log's schema: one header line, then one record a line (JSON Lines, format 1).

The wire types are msgspec structs rather than dataclasses because a union of tagged structs checks
type, fields and bounds of a line in one pass. A field a program needs for itself goes into `extra`;
any other unknown field is an error, so that a misspelt name is not lost in silence.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, get_args

import msgspec

from nearkey.errors import StudyLogError
from nearkey.schema import convert, decode

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

_RECORD: msgspec.json.Decoder[StudyRecord] = msgspec.json.Decoder(StudyRecord)
_HEADER = msgspec.json.Decoder(StudyHeader)
_ANY: msgspec.json.Decoder[Any] = msgspec.json.Decoder()
_TYPES = ", ".join(struct.__struct_config__.tag for struct in get_args(StudyRecord))


class RecordOrder:
    """Checks that events come in an order that makes sense; writer and reader share it."""

    __slots__ = ("_last_t", "_open", "_text")

    def __init__(self) -> None:
        self._open = False
        self._last_t = -math.inf
        self._text = ""

    def take(self, event: StudyRecord) -> None:
        """Accept the next event, or raise StudyLogError naming the field."""
        if isinstance(event, PromptRecord):
            self._open, self._text = True, ""
        elif isinstance(event, RestRecord):
            if self._open:
                raise StudyLogError(
                    "a rest inside a trial", field="type", fix="end the trial before resting"
                )
            return
        elif not self._open:
            raise StudyLogError(
                f"{event.__struct_config__.tag} outside a trial",
                field="type",
                fix="log a prompt before it",
            )
        elif event.t < self._last_t:
            raise StudyLogError(
                f"time goes back from {self._last_t:g} to {event.t:g} s within a trial",
                field="t",
                fix="use a monotonic clock",
            )
        self._last_t = event.t
        if isinstance(event, EndRecord):
            if event.text is not None and event.text != self._text:
                raise StudyLogError(
                    "differs from the text after the last action",
                    field="text",
                    fix="log what changed the text, or leave the field out",
                )
            self._open = False
        elif isinstance(event, ACTION_RECORDS) and not isinstance(event, CursorRecord):
            self._text = event.text


def record_from(fields: dict[str, Any]) -> StudyRecord:
    """Make and check one record from its fields, `type` among them; StudyLogError names the field at fault."""
    record: StudyRecord = convert(fields, StudyRecord, error=StudyLogError, explain=_explain)  # type: ignore[arg-type]
    # JSON has no infinities: refused before they are written.
    for name in ("t", "x", "y", "seconds"):
        value = getattr(record, name, None)
        if value is not None and not math.isfinite(value):
            raise StudyLogError(f"is {value}", field=name, fix="give a finite number")
    return record


def header_from(fields: dict[str, Any]) -> StudyHeader:
    """Make and check a header from its fields; StudyLogError names the field at fault."""
    return convert(fields, StudyHeader, error=StudyLogError, explain=_explain)


def read_record(line: bytes) -> StudyRecord:
    """Read one line after the header; StudyLogError names the field at fault."""
    return decode(line, _RECORD, error=StudyLogError, explain=_explain)


def read_header(line: bytes) -> StudyHeader:
    """Read the header line; StudyLogError names the field at fault."""
    loose = decode(line, _ANY, error=StudyLogError, fix="restore the line, or take it out")
    if not isinstance(loose, dict) or loose.get("format") != FORMAT:
        raise StudyLogError(
            f"is not {FORMAT!r}",
            field="format",
            fix="start the log with a header line, or name a study log",
        )
    version = loose.get("version")
    if isinstance(version, int) and version > VERSION:
        raise StudyLogError(
            f"is {version}; this version reads up to {VERSION}",
            field="version",
            fix="read it with a newer nearkey",
        )
    return decode(line, _HEADER, error=StudyLogError, explain=_explain)


def to_line(item: StudyHeader | StudyRecord) -> bytes:
    """An `item` as one line without its newline; records leave out fields at their defaults, headers absent ones."""
    if isinstance(item, StudyHeader):
        fields = msgspec.to_builtins(item).items()
        return msgspec.json.encode({name: value for name, value in fields if value is not None})
    return msgspec.json.encode(item)


def _explain(field: str, problem: str) -> tuple[str, str] | None:
    """Faults of which the schema knows the fix."""
    if not field and problem.startswith("not "):
        return problem, "restore the line, or take it out"
    if problem == "unknown field":
        return problem, "correct its name, or put it inside extra"
    if field == "type":
        return problem, f"use one of {_TYPES}"
    if field in ("participant", "condition") and "regex" in problem:
        return (
            "may hold only letters a-z, digits, '_', '-' and '.', up to 64",
            "use a pseudonym or a short name",
        )
    return None
