"""Reading a study log, and the trials in it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import pairwise

from nearkey.append_log import TruncatedRecord, log_lines, read_log
from nearkey.errors import StudyLogError
from nearkey.study.study_records import (
    ACTION_RECORDS,
    ActionRecord,
    EndRecord,
    PromptRecord,
    RecordOrder,
    StudyHeader,
    StudyRecord,
    TapRecord,
    read_header,
    read_record,
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
