"""Writing study logs: to a file, one event at a time, or into memory (simulated typing)."""

from __future__ import annotations

import os
import time
from abc import ABC, abstractmethod
from pathlib import Path
from typing import Any, Self

from nearkey.append_log import AppendLog
from nearkey.closing import Closable
from nearkey.errors import StudyLogError
from nearkey.study.study_log import StudyLog
from nearkey.study.study_records import (
    CandidatesRecord,
    Origin,
    RecordOrder,
    StudyHeader,
    StudyRecord,
    header_from,
    record_from,
    to_line,
)


class _Recorder(ABC):
    """The verbs shared by file and memory. Times default to seconds since the recorder was made."""

    def __init__(self, header: StudyHeader) -> None:
        self.header = header
        self._order = RecordOrder()
        self._zero = time.monotonic()

    def prompt(self, text: str, t: float | None = None, **fields: Any) -> None:
        """A trial begins: `text` is shown. Fields: block, trial, practice, extra."""
        self.event("prompt", t, text=text, **fields)

    def event(self, kind: str, t: float | None = None, **fields: Any) -> None:
        """Log one event of the schema: its type, its time in seconds, and its fields.

        Raises StudyLogError, and logs nothing, where the event breaks the schema or its order.
        """
        time_s = time.monotonic() - self._zero if t is None else float(t)
        event = record_from({"type": kind, "t": time_s, **fields})
        self._order.take(event)
        self._put(event)

    def end(self, t: float | None = None, **fields: Any) -> None:
        """The trial ends. Fields: text, aborted, extra."""
        self.event("end", t, **fields)

    @abstractmethod
    def _put(self, event: StudyRecord) -> None: ...


class StudyLogRecorder(_Recorder):
    """Collects events in memory; `log()` gives the StudyLog.

    Keyword arguments are the header's fields; participant, condition and origin ("person",
    "simulated" or "invented") must be given.
    """

    def __init__(self, *, participant: str, condition: str, origin: Origin, **header: Any) -> None:
        named = {"participant": participant, "condition": condition, "origin": origin}
        super().__init__(header_from(named | header))
        self._events: list[StudyRecord] = []

    def _put(self, event: StudyRecord) -> None:
        self._events.append(event)

    def log(self) -> StudyLog:
        """What was recorded so far."""
        return StudyLog(self.header, tuple(self._events))


class StudyLogWriter(_Recorder, Closable):
    """Appends events to a new file, each with one write, so that a kill loses at most one line.

    The file is made for its owner's eyes only (mode 0600): it holds what a person typed. Writing
    about people needs their consent; see the cautions in docs/study.md.

    Parameters: `path`, which must not exist yet (see `resume`); `sync`, whether every event is
    forced to disk (`fsync`) before the call returns, but for lists of words, which nobody caused: they go
    there with the next event; further keyword arguments are the header's
    fields, of which participant, condition and origin ("person", "simulated", "invented") must be
    given. `earlier`: what a log that is gone on with held, None for a new one. Raises StudyLogError.
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
        named = {"participant": participant, "condition": condition, "origin": origin}
        super().__init__(header_from(named | header))
        self.earlier: StudyLog | None = None
        self._log = AppendLog(path, error=StudyLogError, new=True, fsync=sync)
        self._log.append(to_line(self.header))

    @classmethod
    def resume(
        cls, path: str | os.PathLike[str], *, sync: bool = False, keep_open: bool = False
    ) -> Self:
        """Go on writing a log: a truncated last record is cut off, an open trial is ended as aborted.

        Parameters as of the class; `keep_open`: leave an open trial open, for a program that can go on in it.
        Raises StudyLogError where the log cannot be read or is in use.
        """
        writer = AppendLog(path, error=StudyLogError, new=False, fsync=sync)
        try:
            log, data = StudyLog.read(path), writer.read()
            end = len(data) if log.truncated is None else log.truncated.offset
            writer.resume(end, ended=data.endswith(b"\n", 0, end))
        except StudyLogError:
            writer.close()
            raise
        self = cls.__new__(cls)
        _Recorder.__init__(self, log.header)
        self._log, self.earlier = writer, log
        for event in log.events:
            self._order.take(event)
        trials = log.trials()
        if trials and trials[-1].state == "unfinished" and not keep_open:
            self.end(log.events[-1].t, aborted=True)
        return self

    @property
    def path(self) -> Path:
        """The file."""
        return self._log.path

    def _put(self, event: StudyRecord) -> None:
        self._log.append(to_line(event), forced=not isinstance(event, CandidatesRecord))

    def close(self) -> None:
        """Close the file; closing twice is allowed."""
        self._log.close()
