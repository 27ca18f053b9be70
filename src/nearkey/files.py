"""Files at the edge: reading with clear errors, writing so that nothing half-made is left behind."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from nearkey.errors import NearkeyError

__all__ = ["atomic_path", "atomic_write", "private_draft", "read_text", "sync_folder"]


@contextmanager
def atomic_path(path: str | os.PathLike[str], *, private: bool = False) -> Iterator[Path]:
    """Yield a temporary path beside `path`; on success it replaces `path`, on failure it goes.

    private : the file may be read by its owner only (mode 0600), from its first byte on; its temporary
        name is `private_draft(path)`, so that what a crash leaves can be found. One writer at a time.
        Else the temporary name is like no other, and the file gets the mode that new files have.
    """
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    if private:
        temporary = private_draft(target)
        temporary.unlink(missing_ok=True)
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    else:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        temporary = Path(name)
    os.close(handle)
    try:
        yield temporary
        with temporary.open("rb") as made:
            os.fsync(made.fileno())
        if private:
            temporary.chmod(0o600)
        else:
            umask = os.umask(0)
            os.umask(umask)
            temporary.chmod(0o666 & ~umask)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def atomic_write(
    path: str | os.PathLike[str], mode: str = "w", *, private: bool = False
) -> Iterator[IO[Any]]:
    """Open `path` for writing ("w" or "wb"); readers see the old file or the whole new one.

    private : as in `atomic_path`.
    """
    encoding = None if "b" in mode else "utf-8"
    with (
        atomic_path(path, private=private) as temporary,
        temporary.open(mode, encoding=encoding) as handle,
    ):
        yield handle


def private_draft(path: Path) -> Path:
    """Where the next contents of a private file are written before they replace it."""
    return path.with_name(f".{path.name}.new")


def sync_folder(folder: Path) -> None:
    """Make new names in a folder survive a power cut; where the system knows no such thing, nothing."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def read_text(path: str | os.PathLike[str], error: type[NearkeyError]) -> str:
    """Read a UTF-8 text file; raise `error` naming the file (and the byte, where it is not UTF-8)."""
    name = os.fspath(path)
    try:
        return Path(path).read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise error("no such file", where=name, fix="check the path") from None
    except IsADirectoryError:
        raise error("is a folder, not a file", where=name, fix="name a file in it") from None
    except PermissionError:
        raise error("may not be read", where=name, fix="check its permissions") from None
    except UnicodeDecodeError as fault:
        raise error(
            f"not UTF-8 at byte {fault.start}", where=name, fix="save the file as UTF-8"
        ) from None
