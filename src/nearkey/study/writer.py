"""Writing study logs: to a file, one event at a time, or into memory (simulated typing)."""

from __future__ import annotations

import os
import time
from abc import ABC, abstractmethod
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from nearkey.errors import StudyLogError
from nearkey.study.events import End, Event, Origin
from nearkey.study.log import StudyLog
from nearkey.study.wire import Order, event_from, make_header, to_line

__all__ = ["StudyLogRecorder", "StudyLogWriter"]


class _Recorder(ABC):
    """The verbs shared by file and memory. Times default to seconds since the recorder was made."""

    def __init__(self) -> None:
        self._order = Order()
        self._zero = time.monotonic()

    def prompt(self, text: str, t: float | None = None, **fields: Any) -> None:
        """A trial begins: `text` is shown. Fields: block, trial, practice, extra."""
        self.event("prompt", t, text=text, **fields)

    def event(self, kind: str, t: float | None = None, **fields: Any) -> None:
        """Log one event of the schema: its type, its time in seconds, and its fields.

        Raises StudyLogError, and logs nothing, where the event breaks the schema or its order.
        """
        time_s = time.monotonic() - self._zero if t is None else float(t)
        event = event_from(kind, {"t": time_s, **fields})
        self._order.take(event)
        self._put(event)

    def end(self, t: float | None = None, **fields: Any) -> None:
        """The trial ends. Fields: text, aborted, extra."""
        self.event("end", t, **fields)

    @abstractmethod
    def _put(self, event: Event) -> None: ...


class StudyLogRecorder(_Recorder):
    """Collects events in memory; `log()` gives the StudyLog.

    Keyword arguments are the header's fields; participant, condition and origin ("person",
    "simulated" or "invented") must be given.
    """

    def __init__(self, *, participant: str, condition: str, origin: Origin, **header: Any) -> None:
        super().__init__()
        self.header = make_header(
            {"participant": participant, "condition": condition, "origin": origin, **header}
        )
        self._events: list[Event] = []

    def _put(self, event: Event) -> None:
        self._events.append(event)

    def log(self) -> StudyLog:
        """What was recorded so far."""
        return StudyLog(self.header, tuple(self._events))


class StudyLogWriter(_Recorder):
    """Appends events to a new file, each with one write, so that a kill loses at most one line.

    The file is made for its owner's eyes only (mode 0600): it holds what a person typed. Writing
    about people needs their consent; see the cautions in docs/study.md.

    Parameters: `path`, which must not exist yet (see `resume`); `sync`, whether every event is
    forced to disk (`fsync`) before the call returns; further keyword arguments are the header's
    fields, of which participant, condition and origin ("person", "simulated", "invented") must be
    given. Raises StudyLogError.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        participant: str,
        condition: str,
        origin: Origin,
        sync: bool = False,
        **header: Any,
    ) -> None:
        super().__init__()
        self.path = Path(path)
        self.header = make_header(
            {"participant": participant, "condition": condition, "origin": origin, **header}
        )
        self._sync = sync
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise StudyLogError(
                "exists already", where=os.fspath(path), fix="choose another name, or resume it"
            ) from None
        except OSError as fault:
            raise StudyLogError(
                f"cannot be made ({fault.strerror})", where=os.fspath(path), fix="check the folder"
            ) from None
        self._write(to_line(self.header))

    @classmethod
    def resume(cls, path: str | os.PathLike[str], *, sync: bool = False) -> Self:
        """Go on writing a log: a torn last line is cut off, an open trial is ended as aborted.

        Raises StudyLogError where the log cannot be read.
        """
        log = StudyLog.read(path)
        self = cls.__new__(cls)
        _Recorder.__init__(self)
        self.path = Path(path)
        self.header = log.header
        self._sync = sync
        try:
            self._file = os.open(path, os.O_WRONLY | os.O_APPEND)
        except OSError as fault:
            raise StudyLogError(
                f"cannot be written ({fault.strerror})",
                where=os.fspath(path),
                fix="check its permissions",
            ) from None
        if log.torn is not None:
            os.ftruncate(self._file, log.torn.offset)
        elif not self.path.read_bytes().endswith(b"\n"):
            self._write(b"\n")
        trials = log.trials()
        if trials and trials[-1].state == "unfinished":
            self._put(End(t=log.events[-1].t, aborted=True))
        return self

    def _put(self, event: Event) -> None:
        self._write(to_line(event))

    def _write(self, line: bytes) -> None:
        if self._file < 0:
            raise StudyLogError("is closed", where=os.fspath(self.path), fix="resume it")
        size = os.fstat(self._file).st_size
        try:
            written = 0
            while written < len(line):
                written += os.write(self._file, line[written:])
            if self._sync:
                os.fsync(self._file)
        except OSError as fault:
            # Half a line in the middle would spoil the log for good.
            os.ftruncate(self._file, size)
            raise StudyLogError(
                f"cannot be written ({fault.strerror})",
                where=os.fspath(self.path),
                fix="make room on the disk, then log the event again",
            ) from None

    def close(self) -> None:
        """Close the file; closing twice is allowed."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
