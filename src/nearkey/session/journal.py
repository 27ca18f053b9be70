"""The journal: what was done to a session, one JSON line a message, so that a crash loses nothing.

Every line ends with a check sum over itself and all lines before it: a line that was changed, lost or moved is found.
The first line says what the session ran with. Caution: a journal holds what a person typed and where they touched.
"""

from __future__ import annotations

import os
import re
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Protocol, runtime_checkable

import msgspec

from nearkey import schema
from nearkey.append_log import AppendLog, TruncatedRecord, log_lines, read_log
from nearkey.decode import LiveDecoder
from nearkey.errors import JournalError
from nearkey.session.messages import Count, Message, TimedLine, is_resolved
from nearkey.session.settings import SessionSettings, Spacing

FORMAT = "nearkey-journal"
VERSION = 1
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
    version: Ordinal = VERSION
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


class PackDescription(Protocol):
    """What a pack says of itself."""

    @property
    def name(self) -> str: ...
    @property
    def version(self) -> str: ...


@runtime_checkable
class DescribedPack(Protocol):
    """A pack that says what it is; a journal's header then names it."""

    @property
    def info(self) -> PackDescription: ...


@runtime_checkable
class PackDecoder(Protocol):
    """A live decoder that reads with a pack."""

    @property
    def pack(self) -> object: ...


def header_of(decoder: LiveDecoder, settings: SessionSettings) -> JournalHeader:
    """The header of a session that begins now."""
    pack = decoder.pack if isinstance(decoder, PackDecoder) else None
    info = pack.info if isinstance(pack, DescribedPack) else None
    return JournalHeader(
        started=utc_now(),
        layout=decoder.layout.name,
        pack="" if info is None else info.name,
        pack_version="" if info is None else info.version,
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


JournalRecord = Message | Learnt | Resumed

_LOOSE: msgspec.json.Decoder[dict[str, Any]] = msgspec.json.Decoder(dict[str, Any])
_HEADER: msgspec.json.Decoder[JournalHeader] = msgspec.json.Decoder(JournalHeader)
_RECORD: msgspec.json.Decoder[JournalRecord] = msgspec.json.Decoder(JournalRecord)
_ENCODER = msgspec.json.Encoder()


# ---- reading ----


@dataclass(frozen=True, slots=True)
class Journal:
    """A journal as read.

    header : None where not even the first line was written whole. records : the lines after it.
    truncated : the last line, where a crash had cut it short. check, n_bytes, ended : the check sum so
    far, the bytes of what was read, and whether the last line read has its newline.
    """

    header: JournalHeader | None
    records: tuple[JournalRecord, ...]
    truncated: TruncatedRecord | None
    check: int
    n_bytes: int
    ended: bool

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Journal:
        """Read a journal. A truncated last record is left out and reported in `truncated`.

        Raises `JournalError` naming file and line for any other damage, for a file that is no
        journal, and for a journal of a newer version.
        """
        return cls.parse(read_log(path, JournalError), os.fspath(path))

    @classmethod
    def parse(cls, data: bytes, where: str) -> Journal:
        """Read a journal from its bytes; `where` names them in errors. Raises as `read` does."""
        if not (data.startswith(_START) or _START.startswith(data)):
            raise JournalError("is not a session's journal", where=where, fix="check the path")
        header: JournalHeader | None = None
        records: list[JournalRecord] = []
        check, n_bytes, ended = 0, 0, True
        truncated = None
        for line in log_lines(data):
            at = f"{where}, line {line.number}"
            body, after = _checked(line.data, check)
            if body is None:
                if not line.ended:
                    truncated = line.truncated
                    break
                raise JournalError(
                    "is damaged: its check sum does not fit it and the lines before",
                    where=at,
                    fix="restore the file from a copy; the lines before this one are good",
                )
            if header is None:
                header = _header(body, at)
            else:
                records.append(_record(body, at))
            check, n_bytes, ended = after, line.end, line.ended
        return cls(header, tuple(records), truncated, check, n_bytes, ended)


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
    if not isinstance(record, Learnt | Resumed) and not is_resolved(record):
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

    __slots__ = ("_check", "_log", "path")

    def __init__(self, path: str | os.PathLike[str], *, fsync: bool, new: bool = False) -> None:
        self._log = AppendLog(path, error=JournalError, new=new, fsync=fsync)
        self._check = 0
        self.path = self._log.path

    @classmethod
    def begin(
        cls, path: str | os.PathLike[str], header: JournalHeader, *, fsync: bool
    ) -> JournalWriter:
        """A new journal with its first line; nothing is left behind where that cannot be written."""
        writer = cls(path, fsync=fsync, new=True)
        try:
            writer.append(header)
        except JournalError:
            writer.close()
            writer.path.unlink()
            raise
        return writer

    def resume(self, journal: Journal) -> None:
        """Cut off a truncated last record of what was read, and go on after it."""
        self._log.resume(journal.n_bytes, ended=journal.ended)
        self._check = journal.check

    def append(self, record: JournalHeader | JournalRecord) -> None:
        """Write one line. `JournalError` where the disk refuses; the file is then as it was."""
        body = _ENCODER.encode(record)
        check = zlib.crc32(body, self._check)
        self._log.append(b'%b,"crc":"%08x"}' % (body[:-1], check))
        self._check = check

    def close(self) -> None:
        """Let go of the file; closing twice is allowed."""
        self._log.close()
