"""The journal: what was done to a session, one JSON line a message, so that a crash loses nothing.

Every line ends with a check sum over itself and all lines before it: a line that was changed, lost or moved is found.
The first line says what the session ran with. A long journal is shortened to a snapshot from time to time. Caution: a
journal holds what a person typed and where they touched.
"""

from __future__ import annotations

import io
import math
import os
import re
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, BinaryIO, Literal

import msgspec

from nearkey import schema
from nearkey.append_log import AppendLog, LogLine, TruncatedRecord, log_lines
from nearkey.decode import LiveDecoder
from nearkey.errors import JournalError
from nearkey.files import opened
from nearkey.session.content import Case, Composition
from nearkey.session.messages import Count, Message, TimedLine, is_resolved
from nearkey.session.settings import SessionSettings, Spacing

FORMAT = "nearkey-journal"
VERSION = 2
"""Of journals that were shortened to a snapshot; the others are of version 1."""
TAIL_BYTES = 1 << 20
"""A journal may grow by this, or by a quarter where that is more, before it is shortened."""
CAUTION = "private: holds what a person typed and where they touched"

_START = f'{{"format":"{FORMAT}"'.encode()
_CHECK = re.compile(rb',"crc":"([0-9a-f]{8})"\}$')

Ordinal = Annotated[int, msgspec.Meta(ge=1)]


# ---- lines ----


class JournalHeader(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """started : UTC, ISO 8601. layout : its name. pack, pack_version : "" where the pack has none.

    auto_capitals : left out where they are on, so that such journals are what they were before there was a choice.
    """

    format: Literal["nearkey-journal"] = "nearkey-journal"
    version: Ordinal = 1
    caution: str = CAUTION
    started: str
    layout: str
    pack: str
    pack_version: str
    k: Ordinal
    undo_limit: Count | None
    context_chars: Ordinal
    spacing: Spacing
    auto_capitals: bool | msgspec.UnsetType = msgspec.UNSET


def header_of(decoder: LiveDecoder, settings: SessionSettings) -> JournalHeader:
    """The header of a session that begins now."""
    # A decoder need not read with a pack, nor a pack say what it is.
    info = getattr(getattr(decoder, "pack", None), "info", None)
    return JournalHeader(
        started=utc_now(),
        layout=decoder.layout.name,
        pack=getattr(info, "name", ""),
        pack_version=getattr(info, "version", ""),
        k=settings.k,
        undo_limit=settings.undo_limit,
        context_chars=settings.context_chars,
        spacing=settings.spacing,
        auto_capitals=msgspec.UNSET if settings.auto_capitals else False,
    )


def utc_now() -> str:
    """The time of day, UTC, ISO 8601, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


class Learnt(TimedLine, frozen=True, kw_only=True):
    """What learner number `learner` answered to an observation: with that id the update can be taken back."""

    observation: Count = msgspec.field(name="lesson")
    update_id: int | str = msgspec.field(name="token")
    learner: Count = 0


class Resumed(TimedLine, frozen=True, kw_only=True):
    """The session was restored at `at` (UTC, ISO 8601); `dropped` bytes of a truncated record went."""

    at: str
    dropped: Count = 0


class Pieces(TimedLine, frozen=True, kw_only=True):
    """Pieces of the text that a snapshot speaks of, in reading order, as `content.compress` makes them."""

    data: bytes


class Snapshot(TimedLine, frozen=True, kw_only=True):
    """What stood in the editor at this point, in the place of all earlier messages; see `nearkey.session.snapshot`.

    before : so many of the `Pieces` lines above stand before the cursor, the others after it. observations : the number
    of the next. offset, composition, shift, caps, spell : as in `Content`.
    """

    before: Count
    observations: Count
    offset: Count = 0
    composition: Composition | None = None
    shift: Case = ""
    caps: bool = False
    spell: bool = False


class Counted(TimedLine, frozen=True, kw_only=True):
    """The number of the next observation: those between were of messages that are no longer known."""

    observations: Count


class Taught(TimedLine, frozen=True, kw_only=True):
    """What learner number `learner` answered to the observations from number `first` on; None: nothing was learnt."""

    learner: Count
    first: Count
    ids: list[int | str | None]


JournalRecord = Message | Learnt | Resumed | Pieces | Snapshot | Counted | Taught

_LOOSE: msgspec.json.Decoder[dict[str, Any]] = msgspec.json.Decoder(dict[str, Any])
_HEADER: msgspec.json.Decoder[JournalHeader] = msgspec.json.Decoder(JournalHeader)
_RECORD: msgspec.json.Decoder[JournalRecord] = msgspec.json.Decoder(JournalRecord)
_ENCODER = msgspec.json.Encoder()


# ---- reading ----


class JournalReader:
    """Reads a journal record by record: iterating gives those after the header.

    Parameters
    ----------
    log : its bytes, or a file at its beginning. where : names them in errors.

    where : as given. header : None where not even the first line was written whole. truncated : the last line, where a
    crash had cut it short; then the iteration ends before it. check, n_bytes, ended : the check sum so far, the bytes
    read, and whether the last line read has its newline. tail : bytes read after the last snapshot.

    Raises `JournalError`, as it is made or iterated over, naming file and line for any other damage, for a file that is
    no journal, and for a journal of a newer version.
    """

    def __init__(self, log: bytes | BinaryIO, where: str) -> None:
        file = io.BytesIO(log) if isinstance(log, bytes) else log
        start = file.read(len(_START))
        if not _START.startswith(start):
            raise JournalError("is not a session's journal", where=where, fix="check the path")
        file.seek(0)
        self._lines = log_lines(file)
        self.where = where
        self.header: JournalHeader | None = None
        self.truncated: TruncatedRecord | None = None
        self.check, self.n_bytes, self.ended, self.tail = 0, 0, True, 0
        for line in self._lines:
            body = self._body(line)
            if body is not None:
                self.header = _header(body, self._at(line))
            break

    def _at(self, line: LogLine) -> str:
        return f"{self.where}, line {line.number}"

    def __iter__(self) -> Iterator[JournalRecord]:
        for line in self._lines:
            body = self._body(line)
            if body is None:
                return
            record = _record(body, self._at(line))
            self.tail = 0 if isinstance(record, Snapshot) else self.tail + len(line.data)
            yield record

    def _body(self, line: LogLine) -> bytes | None:
        """A line without its check sum; None where it is truncated."""
        body, check = _checked(line.data, self.check)
        if body is not None:
            self.check, self.n_bytes, self.ended = check, line.end, line.ended
        elif line.ended:
            raise JournalError(
                "is damaged: its check sum does not fit it and the lines before",
                where=self._at(line),
                fix="restore the file from a copy; the lines before this one are good",
            )
        else:
            self.truncated = line.truncated
        return body


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal as read: header, records and truncated are those of a `JournalReader`."""

    header: JournalHeader | None
    records: tuple[JournalRecord, ...]
    truncated: TruncatedRecord | None

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Journal:
        """Read a journal. A truncated last record is left out and reported in `truncated`.

        Raises `JournalError` where the file cannot be read, and as `JournalReader` says.
        """
        with opened(path, JournalError) as file:
            return cls.parse(file, os.fspath(path))

    @classmethod
    def parse(cls, log: bytes | BinaryIO, where: str) -> Journal:
        """Read a journal from its bytes; `where` names them in errors. Raises as `JournalReader` does."""
        reader = JournalReader(log, where)
        records = tuple(reader)
        return cls(reader.header, records, reader.truncated)


def _checked(line: bytes, check: int) -> tuple[bytes | None, int]:
    """The line without its check sum, and the check sum; None where they do not fit."""
    match = _CHECK.search(line)
    if match is None:
        return None, check
    body = line[: match.start()] + b"}"
    after = zlib.crc32(body, check)
    return (body, after) if int(match[1], 16) == after else (None, check)


def _header(body: bytes, where: str) -> JournalHeader:
    loose = schema.decode(body, _LOOSE, error=JournalError, where=where)
    version = loose.get("version")
    if isinstance(version, int) and version > VERSION:
        raise JournalError(
            f"is {version}; this version reads up to {VERSION}",
            where=where,
            field="version",
            fix="restore it with a newer nearkey",
        )
    return schema.decode(body, _HEADER, error=JournalError, where=where)


def _record(body: bytes, where: str) -> JournalRecord:
    record = schema.decode(body, _RECORD, error=JournalError, where=where)
    if isinstance(record, Message) and not is_resolved(record):
        raise JournalError(
            "leaves open what the decoder had decided", where=where, fix="check the program"
        )
    return record


# ---- writing ----


class JournalWriter:
    """Appends to one journal, readable by its owner only and locked against a second writer.

    Parameters
    ----------
    path : the file, which must exist; see `begin` for a new one, `resume` before the first line.
    fsync : force every line to the disk.

    Raises `JournalError` where the file cannot be opened or is in use.
    """

    __slots__ = ("_check", "_enough", "_header", "_log", "path")

    def __init__(self, path: str | os.PathLike[str], *, fsync: bool, new: bool = False) -> None:
        self._log = AppendLog(path, error=JournalError, new=new, fsync=fsync)
        self._check = 0
        self._enough: float = math.inf
        self._header: JournalHeader | None = None
        self.path = self._log.path

    @classmethod
    def begin(
        cls, path: str | os.PathLike[str], header: JournalHeader, *, fsync: bool
    ) -> JournalWriter:
        """A new journal with its first line; nothing is left behind where that cannot be written."""
        writer = cls(path, fsync=fsync, new=True)
        try:
            writer._begin(header)
        except JournalError:
            writer.close()
            writer.path.unlink()
            raise
        return writer

    def _begin(self, header: JournalHeader) -> None:
        self.append(header)
        self._header = header
        self._grow_from(0)

    def resume(self, read: JournalReader, header: JournalHeader) -> None:
        """Cut off a truncated last record of what was read to its end, and go on after it.

        header : written where the file has none.
        """
        self._log.resume(read.n_bytes, ended=read.ended)
        self._check = read.check
        if read.header is None:
            self._begin(header)
        else:
            self._header = header
            self._grow_from(self._log.size - read.tail)

    def append(self, record: JournalHeader | JournalRecord) -> None:
        """Write one line. `JournalError` where the disk refuses; the file is then as it was."""
        line, check = _line(record, self._check)
        self._log.append(line)
        self._check = check

    @property
    def long(self) -> bool:
        """Whether it is time to shorten it."""
        return self._log.size > self._enough

    def _grow_from(self, size: int) -> None:
        # By a part of what there is, so that shortening takes a fixed share of the writing, however long the text.
        assert self._header is not None
        bounded = self._header.undo_limit is not None
        self._enough = size + max(TAIL_BYTES, size // 4) if bounded else math.inf

    def shorten(self, records: Iterable[JournalRecord]) -> None:
        """Put other records, a snapshot with what belongs to it, in the place of all there are.

        Readers see the old file or the new one, whole. Raises `JournalError` where the disk refuses: the old one stays,
        and grows on before this is due again.
        """
        assert self._header is not None
        header = msgspec.structs.replace(self._header, version=VERSION)
        check = 0

        def lines() -> Iterator[bytes]:
            nonlocal check
            for record in (header, *records):
                line, check = _line(record, check)
                yield line + b"\n"

        self._grow_from(self._log.size)
        self._log.replace(lines())
        self._check, self._header = check, header
        self._grow_from(self._log.size)

    def close(self) -> None:
        """Let go of the file; closing twice is allowed."""
        self._log.close()


def _line(record: JournalHeader | JournalRecord, check: int) -> tuple[bytes, int]:
    """A record as a line, and the check sum up to it."""
    body = _ENCODER.encode(record)
    check = zlib.crc32(body, check)
    return b'%b,"crc":"%08x"}' % (body[:-1], check), check
