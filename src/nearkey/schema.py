"""Data against its schema: faults of msgspec, JSON and TOML as errors that name file, field and fix.

Everything read from outside (files, lines of a log, messages) comes in through here, so that one fault reads
the same wherever it is met.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import msgspec

from nearkey.errors import NearkeyError
from nearkey.files import read_text

T = TypeVar("T")
Fault = msgspec.MsgspecError | json.JSONDecodeError | UnicodeError | RecursionError

Explain = Callable[[str, str], tuple[str, str] | None]
"""From (field, problem) to (problem, fix), where the schema's owner knows better; None leaves both."""

_FIXES = {"unknown field": "remove it or correct its spelling", "is missing": "add it"}
_STEP = re.compile(r"\[[^\]]*\]|[^.\[\]]+")
_AT = re.compile(r" - at (?:`key` in )?`\$?([^`]*)`$")
_VALUE = re.compile(r"^(Invalid (?:enum )?value) '.*'$", re.DOTALL)
_NAMED = re.compile(r"^Object (contains unknown|missing required) field `(.*)`$")


def schema_error(
    fault: Fault,
    *,
    error: type[NearkeyError],
    where: str | os.PathLike[str] | None = None,
    place: str | None = None,
    fix: str | None = None,
    explain: Explain | None = None,
    field_name: Callable[[list[str]], str] | None = None,
) -> NearkeyError:
    """The NearkeyError that says what `fault` says.

    Parameters
    ----------
    fault : what msgspec, json or the decoding of UTF-8 raised.
    error : class of the error to make.
    where : the file or the message.
    place : what lies between the file and the field: "line 3".
    fix : what to do, whatever the fault; by default that depends on the fault.
    explain : a better problem and fix for faults that the schema's owner knows.
    field_name : names a field by the steps of its path (``["keys", "[0]", "x"]``); by default
        ``keys[0].x``, as in the file.

    An error that the type's own check raised keeps its problem, field and fix.
    """
    cause = fault.__cause__
    if isinstance(fault, msgspec.ValidationError) and isinstance(cause, NearkeyError):
        field, problem, advice = cause.field or "", cause.problem, cause.fix
    elif isinstance(fault, msgspec.ValidationError):
        steps, problem = _path(str(fault))
        field = (field_name or _joined)(steps)
        advice = _FIXES.get(problem, "correct the value")
    else:
        field = ""
        problem, line, advice = _syntax(fault)
        place = place or line
    told = explain(field, problem) if explain else None
    if told is not None:
        problem, advice = told
    full = ", ".join(part for part in (place, field) if part)
    return error(problem, where=where, field=full or None, fix=fix or advice)


def convert(
    data: Any,
    schema: type[T],
    *,
    error: type[NearkeyError],
    where: str | os.PathLike[str] | None = None,
    fix: str | None = None,
    explain: Explain | None = None,
    field_name: Callable[[list[str]], str] | None = None,
) -> T:
    """Plain data (as read from TOML or JSON) as a `schema`, a type that msgspec knows.

    Raises `error` naming the field that does not fit; the other parameters are those of `schema_error`.
    """
    try:
        return msgspec.convert(data, schema)
    except msgspec.ValidationError as fault:
        raise schema_error(
            fault, error=error, where=where, fix=fix, explain=explain, field_name=field_name
        ) from None
    except UnicodeEncodeError:
        raise error(
            "holds half of a surrogate pair", where=where, fix=fix or "give whole characters"
        ) from None


def decode(
    line: bytes,
    decoder: msgspec.json.Decoder[T],
    *,
    error: type[NearkeyError],
    where: str | os.PathLike[str] | None = None,
    place: str | None = None,
    fix: str | None = None,
    explain: Explain | None = None,
) -> T:
    """One JSON value, by a decoder that is made once and used for every line.

    Raises `error` for what is not JSON or does not fit the decoder's type; the other parameters are
    those of `schema_error`.
    """
    try:
        return decoder.decode(line)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
        raise schema_error(
            fault, error=error, where=where, place=place, fix=fix, explain=explain
        ) from None


def parse_json(
    text: str | bytes,
    *,
    error: type[NearkeyError],
    where: str | os.PathLike[str] | None = None,
    place: str | None = None,
    fix: str | None = None,
) -> Any:
    """JSON as plain data; unlike msgspec, with the NaN and Infinity that other programs write.

    Raises `error` naming the line (or `place`) that is not JSON.
    """
    try:
        return json.loads(text)
    except (json.JSONDecodeError, UnicodeError, RecursionError) as fault:
        raise schema_error(fault, error=error, where=where, place=place, fix=fix) from None
    except ValueError:  # Python reads no integer of more than some thousand digits
        raise error(
            "a number of too many digits", where=where, field=place, fix=fix or "correct the value"
        ) from None


def parse_toml(
    text: str, *, error: type[NearkeyError], where: str | os.PathLike[str] | None = None
) -> dict[str, Any]:
    """TOML as plain data. Raises `error` naming the line and column of bad syntax."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise error(f"not valid TOML: {fault}", where=where, fix="correct the syntax") from None
    except (ValueError, RecursionError) as fault:  # numbers or nesting past Python's own limits
        raise error(f"not readable: {fault}", where=where, fix="correct the file") from None


def read_toml(path: str | os.PathLike[str], error: type[NearkeyError]) -> dict[str, Any]:
    """Read a TOML file; raise `error` naming the file, and the line of bad syntax."""
    return parse_toml(read_text(path, error), error=error, where=path)


def read_json(
    path: str | os.PathLike[str], error: type[NearkeyError], *, fix: str | None = None
) -> Any:
    """Read a JSON file; raise `error` naming the file, and the line of bad syntax."""
    return parse_json(read_text(path, error), error=error, where=path, fix=fix)


def _path(message: str) -> tuple[list[str], str]:
    """The steps to the field at fault, and the problem, from msgspec's message."""
    at = _AT.search(message)
    steps = _STEP.findall(at.group(1)) if at else []
    problem = message[: at.start()] if at else message
    problem = _VALUE.sub(r"\1", problem)  # a value may be private: the field says where it stands
    named = _NAMED.match(problem)
    if named:
        steps.append(named.group(2))
        return steps, "unknown field" if "unknown" in named.group(1) else "is missing"
    return steps, problem[:1].lower() + problem[1:]


def _joined(steps: Sequence[str]) -> str:
    """``candidates[2].rows``."""
    return "".join(
        step if step.startswith("[") or not number else f".{step}"
        for number, step in enumerate(steps)
    )


def _syntax(fault: Exception) -> tuple[str, str | None, str]:
    """(problem, line, fix) of text that is not even JSON."""
    if isinstance(fault, UnicodeDecodeError):
        return f"not UTF-8 at byte {fault.start}", None, "save it as UTF-8"
    if isinstance(fault, json.JSONDecodeError):
        return f"not valid JSON: {fault.msg}", f"line {fault.lineno}", "correct the syntax"
    said = "nested too deeply" if isinstance(fault, RecursionError) else str(fault)
    return f"not valid JSON: {said.removeprefix('JSON is malformed: ')}", None, "correct the syntax"
