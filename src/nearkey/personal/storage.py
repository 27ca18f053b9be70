"""The file behind a store: owner-only, one writer at a time, whole after a crash at any byte.

A snapshot is written beside the file, synced, and renamed over it: readers see the old file or the
new one. Between snapshots records are appended, each with one write: what `kill -9` can leave is a
last line cut short, which the next writer cuts off.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from nearkey.personal.errors import PersonalError

try:
    import fcntl
except ImportError:  # no advisory locks on this system: one writer is then up to the caller
    fcntl = None  # type: ignore[assignment]

__all__ = ["StoreFile", "read_file"]

# Text that people type is nobody else's business.
_OWNER_ONLY = 0o600
# More than a store of the largest sensible settings needs; a bound against reading something else.
_LARGEST_BYTES = 256 << 20


def read_file(path: Path) -> bytes | None:
    """The file's bytes, None where there is no file; `PersonalError` where it cannot be read."""
    where = os.fspath(path)
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise PersonalError(
                "is too large for a store of personal words", where=where, fix="check the path"
            )
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except IsADirectoryError:
        raise PersonalError("is a folder", where=where, fix="name a file in it") from None
    except OSError as fault:
        raise _cannot("be read", fault, path) from None


class StoreFile:
    """An open store file with the lock on it. `data` holds what it contained when opened."""

    def __init__(self, path: Path, *, fsync: bool) -> None:
        self.path = path
        self._fsync = fsync
        self._handle = -1
        # A left-over of a crash during a rewrite; it holds text too.
        self._beside = path.with_name(f".{path.name}.new")
        self.data = b""
        self._size = 0

    def open(self) -> None:
        """Lock and read the file; an empty one is made where there is none."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            while True:
                handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, _OWNER_ONLY)
                self._lock(handle)
                # Another writer may have renamed a new file over the one just opened.
                with contextlib.suppress(FileNotFoundError):
                    if os.path.samestat(os.fstat(handle), self.path.stat()):
                        break
                os.close(handle)
            self._handle = handle
            self._beside.unlink(missing_ok=True)
            self.path.chmod(_OWNER_ONLY)
            self.data = read_file(self.path) or b""
            self._size = len(self.data)
        except IsADirectoryError:
            raise PersonalError(
                "is a folder", where=os.fspath(self.path), fix="name a file in it"
            ) from None
        except OSError as fault:
            raise _cannot("be opened", fault, self.path) from None

    def cut(self, n_bytes: int) -> None:
        """Cut off what a crash left of a last record."""
        if n_bytes < self._size:
            os.ftruncate(self._handle, n_bytes)
            self._size = n_bytes

    def append(self, line: bytes) -> None:
        """Add one record; `PersonalError` where the disk refuses, and the file is as before."""
        try:
            written = os.write(self._handle, line)
            if written < len(line):
                raise OSError("no room left for the whole record")
            if self._fsync:
                os.fsync(self._handle)
        except OSError as fault:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, self._size)
            raise _cannot("be written", fault, self.path) from None
        self._size += len(line)

    def rewrite(self, data: bytes) -> None:
        """Replace the whole contents, all or nothing, power loss included."""
        handle = -1
        try:
            self._beside.unlink(missing_ok=True)
            flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND
            handle = os.open(self._beside, flags, _OWNER_ONLY)
            self._lock(handle)
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
            self._beside.replace(self.path)
            _sync_folder(self.path.parent)
        except OSError as fault:
            if handle >= 0:
                os.close(handle)
            with contextlib.suppress(OSError):
                self._beside.unlink(missing_ok=True)
            raise _cannot("be written", fault, self.path) from None
        os.close(self._handle)
        self._handle, self._size = handle, len(data)

    def close(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def _lock(self, handle: int) -> None:
        if fcntl is None:
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(handle)
            raise PersonalError(
                "is in use by another program",
                where=os.fspath(self.path),
                fix="close that first, or open the store with read_only=True",
            ) from None


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _cannot(what: str, fault: OSError, path: Path) -> PersonalError:
    return PersonalError(
        f"cannot {what}: {fault.strerror or fault}",
        where=os.fspath(path),
        fix="check the folder, its permissions and the room on the disk",
    )
