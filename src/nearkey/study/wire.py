"""Lines to records and back, with errors that name the field, and the order records come in."""

from __future__ import annotations

import math
from typing import Any, get_args

import msgspec

from nearkey.errors import StudyLogError
from nearkey.schema import convert, decode
from nearkey.study.study_records import (
    ACTION_RECORDS,
    FORMAT,
    VERSION,
    CursorRecord,
    EndRecord,
    PromptRecord,
    RestRecord,
    StudyHeader,
    StudyRecord,
)

__all__ = ["RecordOrder", "header_from", "read_header", "read_record", "record_from", "to_line"]

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
    for name in (
        "t",
        "x",
        "y",
        "seconds",
    ):  # JSON has no infinities: refused before they are written
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
    """One line without its newline; fields at their defaults are left out of records, absent ones of headers."""
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
