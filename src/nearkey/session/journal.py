"""The journal: what was done to a session, one JSON line an action, so that a crash loses nothing.

Every line ends with a check sum over itself and all lines before it: a line that was changed, lost or
moved is found. Caution: a journal holds what a person typed and where they touched.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Self

import msgspec

from nearkey.errors import JournalError
from nearkey.session.actions import Action
from nearkey.session.header import FORMAT, VERSION, Header

if sys.platform != "win32":
    import fcntl

__all__ = ["Journal", "JournalWriter", "Learnt", "Record", "Resumed", "Torn"]

_START = f'{{"format":"{FORMAT}"'.encode()
_CHECK = re.compile(rb',"crc":"([0-9a-f]{8})"\}$')

Count = Annotated[int, msgspec.Meta(ge=0)]


class _Record(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    omit_defaults=True,
    forbid_unknown_fields=True,
    tag_field="type",
    tag=str.lower,
):
    t: float


class Learnt(_Record, frozen=True, kw_only=True):
    """What learner number `learner` answered to a lesson; with it the lesson can be taken back."""

    lesson: Count
    token: int | str
    learner: Count = 0


class Resumed(_Record, frozen=True, kw_only=True):
    """The session was restored at `at` (UTC, ISO 8601); `dropped` bytes of a torn line went."""

    at: str
    dropped: Count = 0


Record = Action | Learnt | Resumed

_HEADER: msgspec.json.Decoder[Header] = msgspec.json.Decoder(Header)
_RECORD: msgspec.json.Decoder[Record] = msgspec.json.Decoder(Record)
_ENCODER = msgspec.json.Encoder()


@dataclass(frozen=True, slots=True)
class Torn:
    """A last line that a crash cut short: its number from 1, where it starts, its bytes."""

    line: int
    offset: int
    n_bytes: int

    def __str__(self) -> str:
        return f"line {self.line} is cut short ({self.n_bytes} bytes) and left out"


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal as read. header is None where not even the first line was written whole."""

    header: Header | None
    records: tuple[Record, ...]
    torn: Torn | None
    check: int
    n_bytes: int
    ended: bool

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Journal:
        """Read a journal. A torn last line is left out and reported in `torn`.

        Raises `JournalError` naming file and line for any other damage, for a file that is no
        journal, and for a journal of a newer version.
        """
        return cls.parse(_bytes(path), os.fspath(path))

    @classmethod
    def parse(cls, data: bytes, where: str) -> Journal:
        """Read a journal from its bytes; `where` names them in errors."""
        if not (data.startswith(_START) or _START.startswith(data)):
            raise JournalError("is not a session's journal", where=where, fix="check the path")
        header: Header | None = None
        records: list[Record] = []
        check, n_bytes, ended = 0, 0, True
        torn = None
        for number, offset, line, whole in _lines(data):
            at = f"{where}, line {number}"
            body, after = _checked(line, check)
            if body is None:
                if not whole:
                    torn = Torn(number, offset, len(line))
                    break
                raise JournalError(
                    "is damaged: its check sum does not fit it and the lines before",
                    where=at,
                    fix="restore the file from a copy; the lines before this one are good",
                )
            try:
                if header is None:
                    header = _header(body, at)
                else:
                    records.append(_RECORD.decode(body))
            except (msgspec.MsgspecError, UnicodeDecodeError) as fault:
                raise JournalError(
                    f"is not a line of a journal ({fault})", where=at, fix="check the program"
                ) from None
            check, n_bytes, ended = after, offset + len(line) + whole, whole
        return cls(header, tuple(records), torn, check, n_bytes, ended)


def _lines(data: bytes) -> Iterator[tuple[int, int, bytes, bool]]:
    """(number, offset, bytes, whether its newline is there) of each line."""
    offset = 0
    parts = data.split(b"\n")
    for number, line in enumerate(parts, start=1):
        whole = number < len(parts)
        if line or whole:
            yield number, offset, line, whole
        offset += len(line) + 1


def _checked(line: bytes, check: int) -> tuple[bytes | None, int]:
    """The line without its check sum, and the check sum; None where they do not fit."""
    match = _CHECK.search(line)
    if match is None:
        return None, check
    body = line[: match.start()] + b"}"
    after = zlib.crc32(body, check)
    return (body, after) if int(match[1], 16) == after else (None, check)


def _header(body: bytes, where: str) -> Header:
    loose: Any = msgspec.json.decode(body)
    version = loose.get("version") if isinstance(loose, dict) else None
    if isinstance(version, int) and version > VERSION:
        raise JournalError(
            f"is {version}; this version reads up to {VERSION}",
            where=where,
            field="version",
            fix="restore it with a newer nearkey",
        )
    return _HEADER.decode(body)


def _bytes(path: str | os.PathLike[str]) -> bytes:
    where = os.fspath(path)
    try:
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise JournalError("no such file", where=where, fix="check the path") from None
    except IsADirectoryError:
        raise JournalError("is a folder", where=where, fix="name a file in it") from None
    except OSError as fault:
        raise JournalError(
            f"cannot be read ({fault.strerror})", where=where, fix="check its permissions"
        ) from None


class JournalWriter:
    """Appends to one journal: one write a record, so that a kill tears at most the last line.

    The file is readable by its owner only and locked against a second writer.
    """

    __slots__ = ("_check", "_file", "_fsync", "_size", "path")

    def __init__(self, path: str | os.PathLike[str], *, fsync: bool, new: bool) -> None:
        self.path = Path(path)
        self._fsync = fsync
        self._check = 0
        self._size = 0
        flags = os.O_RDWR | os.O_APPEND | (os.O_CREAT | os.O_EXCL if new else 0)
        try:
            self._file = os.open(path, flags, 0o600)
        except FileExistsError:
            raise self._error(
                "exists already", "restore the session in it, or choose another name"
            ) from None
        except FileNotFoundError:
            what = "no such folder" if new else "no such file"
            raise self._error(what, "check the path") from None
        except IsADirectoryError:
            raise self._error("is a folder", "name a file in it") from None
        except OSError as fault:
            raise self._error(f"cannot be opened ({fault.strerror})", "check the path") from None
        if sys.platform != "win32":
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                self.close()
                raise self._error("is in use by another session", "close that one first") from None
            except OSError:
                pass  # a file system without locks: one writer is then up to the caller
        if new and fsync:
            _sync_folder(self.path.parent)

    @classmethod
    def begin(cls, path: str | os.PathLike[str], header: Header, *, fsync: bool) -> Self:
        """A new journal with its first line; nothing is left behind where that cannot be written."""
        writer = cls(path, fsync=fsync, new=True)
        try:
            writer.append(header)
        except JournalError:
            writer.close()
            writer.path.unlink()
            raise
        return writer

    def _error(self, problem: str, fix: str) -> JournalError:
        return JournalError(problem, where=os.fspath(self.path), fix=fix)

    def resume(self, journal: Journal) -> None:
        """Cut off a torn line of what was read, and go on after it."""
        os.ftruncate(self._file, journal.n_bytes)
        self._check, self._size = journal.check, journal.n_bytes
        if not journal.ended:
            self._put(b"\n")

    def append(self, record: Header | Record) -> None:
        """Write one line. `JournalError` where the disk refuses; the file is then as it was."""
        if self._file < 0:
            raise self._error("is closed", "restore the session")
        body = _ENCODER.encode(record)
        check = zlib.crc32(body, self._check)
        self._put(b'%b,"crc":"%08x"}\n' % (body[:-1], check))
        self._check = check

    def _put(self, line: bytes) -> None:
        try:
            written = os.write(self._file, line)
            while written < len(line):
                written += os.write(self._file, line[written:])
            if self._fsync:
                os.fsync(self._file)
        except OSError as fault:
            # Half a line in the middle would spoil the journal for good.
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            raise self._error(
                f"cannot be written ({fault.strerror})", "make room on the disk, then try again"
            ) from None
        self._size += len(line)

    def close(self) -> None:
        """Let go of the file; closing twice is allowed."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _sync_folder(folder: Path) -> None:
    """The new file's name to the disk too; where the system knows no such thing, nothing."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
