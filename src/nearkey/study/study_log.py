"""Study logs: reading one, and the trials in it; writing one to a file, an event at a time, or into memory."""

from __future__ import annotations

import os
import time
from abc import ABC, abstractmethod
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Self

from nearkey.append_log import AppendLog, TruncatedRecord, log_lines, read_log
from nearkey.closing import Closable
from nearkey.errors import StudyLogError
from nearkey.study.study_records import (
    ACTION_RECORDS,
    ActionRecord,
    CandidatesRecord,
    EndRecord,
    Origin,
    PromptRecord,
    RecordOrder,
    StudyHeader,
    StudyRecord,
    TapRecord,
    header_from,
    read_header,
    read_record,
    record_from,
    to_line,
)


@dataclass(frozen=True, slots=True)
class StudyTrial:
    """One prompt and what was done with it, up to `end` or to the next prompt.

    `header`: of its log; `events`: those between the two; `order`: its place in the log, from 1.
    `state`: "done", "aborted" (the log says so) or "unfinished" (no end event). `interruptions`: how often typing was
    broken into by a reload, a lost connection or a crash, as the end's `extra` tells.
    """

    header: StudyHeader
    prompt: PromptRecord
    events: tuple[StudyRecord, ...]
    state: str
    order: int
    interruptions: int = 0

    @property
    def actions(self) -> tuple[ActionRecord, ...]:
        """The events the person caused, in order."""
        return tuple(event for event in self.events if isinstance(event, ACTION_RECORDS))

    @property
    def counted_touches(self) -> tuple[TapRecord, ...]:
        """The touches among the actions whose places are known, of a phrase that counts: done, and no practice."""
        if self.state != "done" or self.prompt.practice:
            return ()
        return tuple(
            one
            for one in self.actions
            if isinstance(one, TapRecord) and one.x is not None and one.y is not None
        )

    @property
    def block(self) -> int:
        """The prompt's block, else the header's."""
        return self.header.block if self.prompt.block is None else self.prompt.block

    @property
    def transcribed(self) -> str:
        """The text after the last action; "" where there was none."""
        text = ""
        for event in self.actions:
            text = getattr(event, "text", text)
        return text


@dataclass(frozen=True, slots=True)
class StudyLog:
    """A header and its events: one participant, one condition, one sitting.

    A log holds what a person typed: treat the file as private. `truncated`: a last record that a crash cut short,
    left out of `events`; `source`: the file it was read from.

    Raises StudyLogError where the events break the order the schema asks for.
    """

    header: StudyHeader
    events: tuple[StudyRecord, ...]
    truncated: TruncatedRecord | None = None
    source: str | None = None

    def __post_init__(self) -> None:
        order = RecordOrder()
        for i, event in enumerate(self.events):
            try:
                order.take(event)
            except StudyLogError as fault:
                raise fault.at(f"event {i}") from None

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> StudyLog:
        """Read the log file at `path`.

        A last line without its newline that does not parse was cut short by a crash: it is left out
        and reported in `truncated`. Anything else that breaks the schema raises StudyLogError with file,
        line, field and fix.
        """
        name = os.fspath(path)
        lines = [line for line in log_lines(read_log(path, StudyLogError)) if line.data.strip()]
        if not lines:
            raise StudyLogError("is empty", where=name, fix="start it with a header line")
        # Whole JSON of the wrong kind is a fault of the writer, not of a crash.
        crashed = len(lines) > 1 and not lines[-1].whole
        truncated = lines.pop().truncated if crashed else None
        order = RecordOrder()
        events: list[StudyRecord] = []
        try:
            line = lines[0]
            header = read_header(line.data)
            for line in lines[1:]:
                events.append(read_record(line.data))
                order.take(events[-1])
        except StudyLogError as fault:
            raise fault.at(f"{name}, line {line.number}") from None
        return cls(header, tuple(events), truncated, name)

    def to_bytes(self) -> bytes:
        """The log as a file holds it."""
        return b"".join(to_line(item) + b"\n" for item in (self.header, *self.events))

    def trials(self) -> tuple[StudyTrial, ...]:
        """The trials in order, unfinished and aborted ones too."""
        starts = [i for i, event in enumerate(self.events) if isinstance(event, PromptRecord)]
        spans = pairwise([*starts, len(self.events)])
        return tuple(self._trial(self.events[a:b], order) for order, (a, b) in enumerate(spans, 1))

    def _trial(self, events: tuple[StudyRecord, ...], order: int) -> StudyTrial:
        """The trial of a prompt and all that came before the next one; what follows its end is rest."""
        prompt = events[0]
        assert isinstance(prompt, PromptRecord)
        state, last, broken = "unfinished", len(events), 0
        for i, event in enumerate(events):
            if isinstance(event, EndRecord):
                state, last = "aborted" if event.aborted else "done", i
                told = (event.extra or {}).get("interruptions", 0)
                broken = told if isinstance(told, int) else 1
        return StudyTrial(self.header, prompt, events[1:last], state, order, broken)


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
