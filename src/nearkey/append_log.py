"""The append-only log: a file of JSON lines with one writer, whole after a kill at any byte.

Every record is one line and one write, so a kill can cut short the last line only; whoever opens the log next finds
that truncated record and cuts it off. What the lines say is their room's business: it decodes them, and decides
whether a last line that lacks nothing but its newline counts.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import msgspec

from nearkey.closing import Closable
from nearkey.errors import NearkeyError
from nearkey.files import atomic_path, opened, sweep_drafts, sync_folder, unwritten

if sys.platform != "win32":
    import fcntl


@dataclass(frozen=True, slots=True)
class TruncatedRecord:
    """A last line that a crash cut short: its number from 1, the byte it starts at, its length in bytes."""

    line: int
    offset: int
    n_bytes: int

    def __str__(self) -> str:
        return f"line {self.line} is cut short ({self.n_bytes} bytes) and left out"


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of a log.

    number : counted from 1. offset : the byte it starts at. data : its bytes without the newline.
    ended : whether its newline is there; only the last line may lack it.
    """

    number: int
    offset: int
    data: bytes
    ended: bool

    @property
    def end(self) -> int:
        """The byte after the line and its newline."""
        return self.offset + len(self.data) + self.ended

    @property
    def whole(self) -> bool:
        """Whether the line was written to its end: it has its newline, or lacks nothing else.

        No true beginning of a JSON object is JSON, so an unended line that is JSON lacks its newline alone.
        """
        if self.ended:
            return True
        try:
            msgspec.json.decode(self.data)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return False
        return True

    @property
    def truncated(self) -> TruncatedRecord:
        """The line, told as a truncated record."""
        return TruncatedRecord(self.number, self.offset, len(self.data))


def log_lines(log: bytes | BinaryIO) -> Iterator[LogLine]:
    """The lines of a log, of its bytes or of a file at its beginning; blank ones too, the last also where it lacks its
    newline."""
    offset = 0
    for number, line in enumerate(io.BytesIO(log) if isinstance(log, bytes) else log, start=1):
        ended = line.endswith(b"\n")
        yield LogLine(number, offset, line[:-1] if ended else line, ended)
        offset += len(line)


def read_log(
    path: str | os.PathLike[str], error: type[NearkeyError], *, largest_bytes: int | None = None
) -> bytes:
    """The bytes of a log, without opening it for writing.

    Raises `error` as `files.opened` does, and where it is larger than `largest_bytes`: then it is no log of that kind.
    """
    with opened(path, error) as file:
        if largest_bytes is not None and os.fstat(file.fileno()).st_size > largest_bytes:
            raise error(
                "is too large for a log of this kind", where=os.fspath(path), fix="check the path"
            )
        return file.read()


class AppendLog(Closable):
    """A log opened for writing, with the lock on it.

    Parameters
    ----------
    path : the file.
    error : the class of what is raised, a `NearkeyError` of the room that keeps the log.
    new : True makes the file, which must not exist; False opens one that must; None opens it, or
        makes it and its folders where it is missing.
    private : a new file may be read by its owner only (mode 0600), from its first byte on; a file
        opened with ``new=None``, which may have come from elsewhere, is made so.
    fsync : force every record to the disk before `append` returns: it then survives a power cut.
        Without it a crash of the program loses nothing that was appended.

    Another writer of the same file is refused while this one has it open, where the file system has
    advisory locks; elsewhere one writer is up to the caller. One thread at a time.
    """

    __slots__ = ("_error", "_file", "_fsync", "_private", "_size", "path")

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        error: type[NearkeyError],
        new: bool | None = None,
        private: bool = True,
        fsync: bool = False,
    ) -> None:
        self.path = Path(path)
        self._error = error
        self._private = private
        self._fsync = fsync
        self._file = -1
        if "\0" in os.fspath(path):
            raise self._fault("is no name of a file", "check the path")
        try:
            self._file = self._opened(new)
            if private and new is None:
                self.path.chmod(0o600)
            self._size = os.fstat(self._file).st_size
            # A crash in the middle of a replacement left it; it may hold private text.
            sweep_drafts(Path(os.path.realpath(self.path)))
            if fsync and not self._size:
                sync_folder(self.path.parent)
        except OSError as fault:
            self.close()
            raise self._unopened(fault, new) from None

    def _opened(self, new: bool | None) -> int:
        flags = os.O_RDWR | os.O_APPEND
        if new is None:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        if new is not False:
            flags |= os.O_CREAT | (os.O_EXCL if new else 0)
        while True:
            file = self._locked(self.path, flags)
            # Another writer may have put a replacement in the place of the file just opened.
            with contextlib.suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(file), self.path.stat()):
                    return file
            os.close(file)

    def _locked(self, path: Path, flags: int) -> int:
        """A file opened, with the lock on it."""
        file = os.open(path, flags, 0o600 if self._private else 0o666)
        if sys.platform == "win32":
            return file
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(file)
            raise self._fault(
                "is in use by another session or program", "close that one first"
            ) from None
        except OSError:
            pass  # a file system without locks
        return file

    def _unopened(self, fault: OSError, new: bool | None) -> NearkeyError:
        match fault:
            case FileExistsError() if new:
                return self._fault(
                    "exists already", "choose another name, or go on with the one that is there"
                )
            case FileNotFoundError():
                return self._fault("no such folder" if new else "no such file", "check the path")
            case IsADirectoryError():
                return self._fault("is a folder", "name a file in it")
        return self._fault(
            f"cannot be opened ({fault.strerror})", "check the path and its permissions"
        )

    def _fault(self, problem: str, fix: str) -> NearkeyError:
        return self._error(problem, where=os.fspath(self.path), fix=fix)

    def read(self) -> bytes:
        """What the file holds now. Raises `error` where it cannot be read."""
        return read_log(self.path, self._error)

    def resume(self, end: int, *, ended: bool = True) -> None:
        """Go on after byte `end`, for a log that was read: what lies behind it is cut off.

        ended : False where the line before `end` lacks its newline, which is then written first.
        Raises `error` where the disk refuses.
        """
        if end < self._size:
            try:
                os.ftruncate(self._file, end)
            except OSError as fault:
                raise self._unwritten(fault) from None
            self._size = end
        if not ended:
            self._put(b"\n")

    def append(self, record: bytes, *, forced: bool = True) -> None:
        """Add one record: a JSON value in one line, without its newline.

        forced : with `fsync`, whether to wait for the disk now; False leaves it to the next record that does.

        Raises `error` where the log is closed or the disk refuses; the file is then as it was before.
        """
        self._put(record + b"\n", forced=forced)

    def _put(self, line: bytes, *, forced: bool = True) -> None:
        if self._file < 0:
            raise self._fault("is closed", "open it again")
        try:
            _write(self._file, line)
            if self._fsync and forced:
                os.fsync(self._file)
        except OSError as fault:
            # Half a line in the middle would spoil the log for good.
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, self._size)
            raise self._unwritten(fault) from None
        self._size += len(line)

    def _unwritten(self, fault: OSError) -> NearkeyError:
        return unwritten(fault, self.path, self._error)

    @property
    def size(self) -> int:
        """Bytes in the file."""
        return self._size

    def replace(self, parts: Iterable[bytes]) -> None:
        """Put new contents, part by part, in the place of the old: readers see either the one or the other, whole.

        It survives a power cut. Raises `error` where the log is closed or the disk refuses; then the
        old contents stay.
        """
        if self._file < 0:
            raise self._fault("is closed", "open it again")
        file = -1
        try:
            # The lock goes along with the contents: there is no moment at which another writer could take it.
            with atomic_path(
                self.path, private=self._private, error=self._error, lock=False
            ) as draft:
                file = self._locked(draft, os.O_RDWR | os.O_APPEND)
                size = 0
                for part in parts:
                    _write(file, part)
                    size += len(part)
            sync_folder(self.path.parent)
        except (OSError, NearkeyError) as fault:
            if file >= 0:
                os.close(file)
            if isinstance(fault, OSError):
                raise self._unwritten(fault) from None
            raise
        os.close(self._file)
        self._file, self._size = file, size

    def close(self) -> None:
        """Let go of the file and its lock; closing twice is allowed."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def _write(file: int, data: bytes) -> None:
    """All of the bytes, mostly with one write."""
    written = os.write(file, data)
    while written < len(data):
        more = os.write(file, data[written:])
        if not more:
            raise OSError("no room left for the whole record")
        written += more
