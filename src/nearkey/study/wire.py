"""Lines to events and back, with errors that name the field, and the order events come in."""

from __future__ import annotations

import math
import re
from typing import Any

import msgspec

from nearkey.errors import StudyLogError
from nearkey.study.study_records import (
    ACTION_RECORDS,
    FORMAT,
    VERSION,
    CandidatesRecord,
    CursorRecord,
    EndRecord,
    StudyRecord,
    StudyHeader,
    PromptRecord,
    RestRecord,
)

__all__ = [
    "Order",
    "event_from",
    "is_json",
    "make_header",
    "read_event",
    "read_header",
    "to_line",
]

_EVENT: msgspec.json.Decoder[StudyRecord] = msgspec.json.Decoder(StudyRecord)
_HEADER: msgspec.json.Decoder[StudyHeader] = msgspec.json.Decoder(StudyHeader)
_ANY: msgspec.json.Decoder[Any] = msgspec.json.Decoder()
_TYPES = tuple(
    struct.__struct_config__.tag
    for struct in (PromptRecord, CandidatesRecord, *ACTION_RECORDS, RestRecord, EndRecord)
)


class Order:
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
                f"{_type(event)} outside a trial",
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


def event_from(kind: str, fields: dict[str, Any]) -> StudyRecord:
    """Make and check one event from its type and fields; raise StudyLogError naming the field."""
    try:
        event: StudyRecord = msgspec.convert({"type": kind, **fields}, StudyRecord, strict=True)
    except msgspec.ValidationError as fault:
        raise _mended(fault) from None
    _check_finite(event)
    return event


def make_header(fields: dict[str, Any]) -> StudyHeader:
    """Make and check a header from its fields; raise StudyLogError naming the field."""
    try:
        return msgspec.convert(fields, StudyHeader, strict=True)
    except msgspec.ValidationError as fault:
        raise _mended(fault) from None


def read_event(line: bytes) -> StudyRecord:
    """Read one event line; raise StudyLogError naming the field."""
    try:
        return _EVENT.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError) as fault:
        raise _mended(fault) from None


def is_json(line: bytes) -> bool:
    """Whether the bytes are one whole JSON value."""
    try:
        _ANY.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return False
    return True


def read_header(line: bytes) -> StudyHeader:
    """Read the header line; raise StudyLogError naming the field."""
    try:
        loose = _ANY.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError) as fault:
        raise _mended(fault) from None
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
    try:
        return _HEADER.decode(line)
    except msgspec.ValidationError as fault:
        raise _mended(fault) from None


def to_line(item: StudyHeader | StudyRecord) -> bytes:
    """One line, with its newline; fields at their defaults are left out of events."""
    if isinstance(item, StudyHeader):
        fields = {k: v for k, v in msgspec.to_builtins(item).items() if v is not None}
        return msgspec.json.encode(fields) + b"\n"
    return msgspec.json.encode(item) + b"\n"


def _type(event: StudyRecord) -> str:
    return str(event.__struct_config__.tag)


def _check_finite(event: StudyRecord) -> None:
    """JSON has no infinities; refuse them before they are written."""
    for name in ("t", "x", "y", "seconds"):
        value = getattr(event, name, None)
        if value is not None and not math.isfinite(value):
            raise StudyLogError(f"is {value}", field=name, fix="give a finite number")


def _mended(fault: Exception) -> StudyLogError:
    """msgspec's message, in our form: field, problem, fix."""
    text = str(fault)
    if isinstance(fault, UnicodeDecodeError):
        return StudyLogError("is not UTF-8", fix="save the log as UTF-8")
    if not isinstance(fault, msgspec.ValidationError):
        return StudyLogError(
            f"is not one JSON object ({text})", fix="restore the line, or take it out"
        )
    at = re.search(r" - at `\$\.?([^`]*)`", text)
    named = re.search(r"(?:required|unknown) field `([^`]*)`", text)
    field = named.group(1) if named else (at.group(1) if at else "")
    problem = re.sub(r" - at `[^`]*`", "", text)
    fix = "give it a value of that kind"
    if "required field" in text:
        problem, fix = "is missing", "add the field"
    elif "unknown field" in text:
        problem, fix = "is not a field here", "mend its name, or put it inside extra"
    elif field == "type":
        fix = f"use one of {', '.join(map(str, _TYPES))}"
    elif field in ("participant", "condition") and "regex" in text:
        problem = "may hold only letters a-z, digits, '_', '-' and '.', up to 64"
        fix = "use a pseudonym or a short name"
    return StudyLogError(problem, field=field or None, fix=fix)
