"""Reading a study log, and the trials in it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from nearkey.errors import StudyLogError
from nearkey.study.events import ACTIONS, Action, End, Event, Header, Prompt
from nearkey.study.wire import Order, is_json, read_event, read_header, to_line

__all__ = ["StudyLog", "TornLine", "Trial"]


@dataclass(frozen=True, slots=True)
class TornLine:
    """A last line that a crash cut short: its number (from 1), where it starts, and its bytes."""

    line: int
    offset: int
    n_bytes: int

    def __str__(self) -> str:
        return f"line {self.line} is cut short ({self.n_bytes} bytes) and left out"


@dataclass(frozen=True, slots=True)
class Trial:
    """One prompt and what was done with it, up to `end` or to the next prompt.

    `state`: "done", "aborted" (the log says so) or "unfinished" (no end event).
    """

    header: Header
    prompt: Prompt
    events: tuple[Event, ...]
    state: str
    order: int

    @property
    def actions(self) -> tuple[Action, ...]:
        """The events the person caused, in order."""
        return tuple(event for event in self.events if isinstance(event, ACTIONS))

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

    A log holds what a person typed: treat the file as private.

    Raises StudyLogError where the events break the order the schema asks for.
    """

    header: Header
    events: tuple[Event, ...]
    torn: TornLine | None = None
    source: str | None = None

    def __post_init__(self) -> None:
        order = Order()
        for i, event in enumerate(self.events):
            try:
                order.take(event)
            except StudyLogError as fault:
                raise fault.at(f"event {i}") from None

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> StudyLog:
        """Read a log file.

        A last line without its newline that does not parse was cut short by a crash: it is left out
        and reported in `torn`. Anything else that breaks the schema raises StudyLogError with file,
        line, field and fix.
        """
        name = os.fspath(path)
        lines = list(_lines(_bytes(path)))
        if not lines:
            raise StudyLogError("is empty", where=name, fix="start it with a header line")
        number, _, raw, _ = lines[0]
        try:
            header = read_header(raw)
        except StudyLogError as fault:
            raise fault.at(f"{name}, line {number}") from None
        order = Order()
        events: list[Event] = []
        torn = None
        for number, offset, raw, whole in lines[1:]:
            try:
                event = read_event(raw)
            except StudyLogError as fault:
                # Whole JSON of the wrong kind is a fault of the writer, not of a crash.
                if not whole and not is_json(raw):
                    torn = TornLine(number, offset, len(raw))
                    break
                raise fault.at(f"{name}, line {number}") from None
            try:
                order.take(event)
            except StudyLogError as fault:
                raise fault.at(f"{name}, line {number}") from None
            events.append(event)
        return cls(header, tuple(events), torn, name)

    def to_bytes(self) -> bytes:
        """The log as a file holds it."""
        return b"".join(map(to_line, (self.header, *self.events)))

    def trials(self) -> tuple[Trial, ...]:
        """The trials in order, unfinished and aborted ones too."""
        return tuple(self._trials())

    def _trials(self) -> Iterator[Trial]:
        prompt: Prompt | None = None
        held: list[Event] = []
        order = 0
        for event in self.events:
            if isinstance(event, Prompt):
                if prompt is not None:
                    order += 1
                    yield Trial(self.header, prompt, tuple(held), "unfinished", order)
                prompt, held = event, []
            elif prompt is None:
                continue  # a rest between trials
            elif isinstance(event, End):
                order += 1
                state = "aborted" if event.aborted else "done"
                yield Trial(self.header, prompt, tuple(held), state, order)
                prompt = None
            else:
                held.append(event)
        if prompt is not None:
            yield Trial(self.header, prompt, tuple(held), "unfinished", order + 1)


def _bytes(path: str | os.PathLike[str]) -> bytes:
    name = os.fspath(path)
    try:
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise StudyLogError("no such file", where=name, fix="check the path") from None
    except IsADirectoryError:
        raise StudyLogError("is a folder", where=name, fix="name a file in it") from None
    except PermissionError:
        raise StudyLogError("may not be read", where=name, fix="check its permissions") from None


def _lines(data: bytes) -> Iterator[tuple[int, int, bytes, bool]]:
    """(number, offset, bytes, whole) of each line that is not blank; the last may lack its end."""
    offset = 0
    parts: Sequence[bytes] = data.split(b"\n")
    for number, raw in enumerate(parts, start=1):
        if raw.strip():
            yield number, offset, raw.rstrip(b"\r"), number < len(parts)
        offset += len(raw) + 1
