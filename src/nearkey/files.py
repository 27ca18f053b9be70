"""Files at the edge: reading with clear errors, writing so that nothing half-made is left behind."""

from __future__ import annotations

import contextlib
import glob
import os
import secrets
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, BinaryIO

from nearkey.errors import NearkeyError

if sys.platform != "win32":
    import fcntl


def unwritten(
    fault: OSError, path: str | os.PathLike[str], error: type[NearkeyError] = NearkeyError
) -> NearkeyError:
    """The error for a file that the system would not take."""
    return error(
        f"cannot be written ({fault.strerror or fault})",
        where=path,
        fix="check the path and the disk",
    )


@contextmanager
def atomic_path(
    path: str | os.PathLike[str],
    *,
    private: bool = False,
    error: type[NearkeyError] = NearkeyError,
    lock: bool = True,
) -> Iterator[Path]:
    """Yield a temporary path beside `path`; on success it replaces `path`, on failure it goes.

    private : the file may be read by its owner only (mode 0600), from its first byte on; else it gets the mode that
        new files have. error : class of what is raised. lock : False where the caller locks the draft himself, which
        keeps others from sweeping it.

    What a killed writer left beside `path` goes with the next one. Raises `error` where the disk refuses; what was
    there then stays as it was.
    """
    # Through a symbolic link: else the old contents, private ones too, would stay where it leads.
    target = Path(os.path.realpath(path))
    draft, file = None, -1
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists() and not (target.is_file() or target.is_dir()):
            raise error(
                "is a device or a pipe, not a file", where=path, fix="name a file to be written"
            )
        sweep_drafts(target)
        draft = target.with_name(f".{target.name}.{secrets.token_hex(6)}.part")
        file = os.open(draft, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o666)
        if lock:
            _try_lock(file)
        yield draft
        os.fsync(file)
        os.close(file)
        file = -1
        draft.replace(target)
    except OSError as fault:
        if isinstance(fault, ConnectionError) or fault.filename not in (
            None,
            str(draft),
            str(target),
            str(target.parent),
        ):
            raise  # of another file, which the caller was at
        raise unwritten(fault, path, error) from None
    finally:
        if file >= 0:
            os.close(file)
        if draft is not None:
            with contextlib.suppress(OSError):
                draft.unlink(missing_ok=True)


@contextmanager
def atomic_write(
    path: str | os.PathLike[str],
    mode: str = "w",
    *,
    private: bool = False,
    error: type[NearkeyError] = NearkeyError,
) -> Iterator[IO[Any]]:
    """Open `path` for writing ("w" or "wb"); readers see the old file or the whole new one.

    private, error : as in `atomic_path`, and raised as there.
    """
    encoding = None if "b" in mode else "utf-8"
    with (
        atomic_path(path, private=private, error=error) as temporary,
        temporary.open(mode, encoding=encoding) as handle,
    ):
        yield handle


def _try_lock(file: int) -> bool:
    """Take the lock on an open file; whether nobody else holds it, as far as the system can tell."""
    if sys.platform == "win32":
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


@contextmanager
def held_lock(path: Path) -> Iterator[None]:
    """A file that is locked for as long as this lasts, and says so to `is_held` in other processes."""
    file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _try_lock(file)
        yield
    finally:
        os.close(file)


def is_held(path: Path) -> bool:
    """Whether the lock on a file of `held_lock` is held; as good as held where the system has no locks."""
    try:
        file = os.open(path, os.O_RDONLY)
    except OSError:
        return True
    try:
        return not _try_lock(file)
    finally:
        os.close(file)


def sweep_drafts(path: Path) -> None:
    """Remove what writers of a file left beside it when they were killed; what a writer is at work on is locked."""
    for draft in _drafts(path):
        with contextlib.suppress(OSError):
            file = os.open(draft, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
            try:
                if _try_lock(file) and os.path.samestat(os.fstat(file), draft.lstat()):
                    draft.unlink()
            finally:
                os.close(file)


def _drafts(path: Path) -> Iterator[Path]:
    """Drafts of a file: those named since there are locks, and the one name that private files had before."""
    yield from path.parent.glob(f".{glob.escape(path.name)}.*.part")
    earlier = path.with_name(f".{path.name}.new")
    if earlier.is_file():
        yield earlier


def remove_with_drafts(path: Path) -> None:
    """Remove a file, and every draft of it that an interrupted writer of this or an earlier version left; of a symbolic
    link, what it leads to as well.

    Raises OSError where the system refuses.
    """
    for place in (Path(os.path.realpath(path)), path):
        for left in [*place.parent.glob(f".{glob.escape(place.name)}.*"), place]:
            if left.is_file() or left.is_symlink():
                left.unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Make new names in a folder survive a power cut; where the system knows no such thing, nothing."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def opened(path: str | os.PathLike[str], error: type[NearkeyError]) -> Iterator[BinaryIO]:
    """The file, open to be read; raise `error` naming it where it is not there, or no file that may be read."""
    try:
        try:
            mode = Path(path).stat().st_mode
        except (
            ValueError
        ) as fault:  # a name that no file can have; one raised by the reader is its own
            raise error(f"cannot be read ({fault})", where=path, fix="check the path") from None
        if stat.S_ISCHR(mode):  # /dev/zero has no end
            raise error("is a device, not a file", where=path, fix="name a file")
        with Path(path).open("rb") as file:
            yield file
    except NearkeyError:
        raise
    except FileNotFoundError:
        raise error("no such file", where=path, fix="check the path") from None
    except IsADirectoryError:
        raise error("is a folder, not a file", where=path, fix="name a file in it") from None
    except PermissionError:
        raise error("may not be read", where=path, fix="check its permissions") from None
    except OSError as fault:
        problem = f"cannot be read ({fault.strerror})"
        raise error(problem, where=path, fix="check path and disk") from None


def read_text(path: str | os.PathLike[str], error: type[NearkeyError]) -> str:
    """Read a UTF-8 text file; raise `error` naming the file (and the byte, where it is not UTF-8)."""
    with opened(path, error) as file:
        data = file.read()
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise error(
            f"not UTF-8 at byte {fault.start}", where=path, fix="save the file as UTF-8"
        ) from None
