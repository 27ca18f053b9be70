"""One participant's way through a study plan: a session for each condition, a study log for each, trial by trial.

It knows neither screen nor keys: a terminal, a page or a test drives it.
"""

from __future__ import annotations

import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from nearkey.closing import Closable
from nearkey.errors import StudyLogError
from nearkey.session.session import Session
from nearkey.session.session_log import SessionLog
from nearkey.study import BlockPlan, StudyLog, StudyLogWriter, StudyPlan
from nearkey.study.study_records import Origin

TrialPlace = tuple[int, int]
"""Which of the participant's blocks, from 1 in the order of the plan, and the trial in it, from 1."""


@dataclass(frozen=True, slots=True)
class SittingTrial:
    """A phrase to type: its `block`, its `place` in the plan, and how many of the participant's `total` are `done`."""

    block: BlockPlan
    place: TrialPlace
    done: int
    total: int

    @property
    def trial(self) -> int:
        """Its number in the block, from 1."""
        return self.place[1]

    @property
    def phrase(self) -> str:
        """What is to be typed."""
        return self.block.phrases[self.trial - 1]

    @property
    def rest_s(self) -> float:
        """Seconds of rest before it, 0 within a block."""
        return self.block.rest_s if self.trial == 1 else 0.0


def next_trial(blocks: Sequence[BlockPlan], done: Set[TrialPlace]) -> SittingTrial | None:
    """The first trial of a participant's `blocks` that is not `done`; None where all are."""
    for block, place in in_order(blocks):
        if place not in done:
            return SittingTrial(block, place, len(done), sum(len(b.phrases) for b in blocks))
    return None


def in_order(blocks: Sequence[BlockPlan]) -> Iterator[tuple[BlockPlan, TrialPlace]]:
    """Every trial of a participant's `blocks`: its block and its place."""
    for number, block in enumerate(blocks, 1):
        for trial in range(1, len(block.phrases) + 1):
            yield block, (number, trial)


def told_trials(
    blocks: Sequence[BlockPlan], logs: Iterable[StudyLog]
) -> tuple[frozenset[TrialPlace], TrialPlace | None]:
    """The trials of a participant's `blocks` that the `logs` say are done, and the one a crash left open.

    Blocks that a plan numbers alike under one condition are typed in its order: the first trial logged is the first's.
    """
    to_come: dict[tuple[str, int, bool, int | None], deque[TrialPlace]] = defaultdict(deque)
    for block, place in in_order(blocks):
        to_come[block.condition, block.block, block.practice, place[1]].append(place)
    done: set[TrialPlace] = set()
    unfinished: TrialPlace | None = None
    for log in logs:
        for trial in log.trials():
            prompt = trial.prompt
            alike = to_come[log.header.condition, trial.block, prompt.practice, prompt.trial]
            if alike and trial.state == "done":
                done.add(alike.popleft())
            elif alike and trial.state == "unfinished":
                unfinished = alike[0]
    return frozenset(done), unfinished


class StudySitting(Closable):
    """Takes a participant through their blocks; goes on where the logs say it stopped.

    Parameters
    ----------
    plan : of the study. participant : named in it.
    folder : of the logs, `PARTICIPANT-CONDITION.jsonl`, one for each condition; made where it is not there.
    open_session : gives an empty session to type a phrase of a condition in.
    origin : "person", "simulated" or "invented", for the logs' headers.
    log_touches : whether touches are real and go into the log; False where a keyboard stands in for the pad.
    device : for the headers. clock : gives seconds; `time.monotonic` unless given.

    A trial left open by a crash is ended as aborted and comes again. Raises PlanError for a participant who is not in
    the plan, StudyLogError where a log cannot be written or is another person's.

    Record only people who were told what is kept and agreed; see docs/study.md.
    """

    def __init__(
        self,
        plan: StudyPlan,
        participant: str,
        folder: Path,
        open_session: Callable[[str], Session],
        *,
        origin: Origin,
        log_touches: bool = True,
        device: str | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.blocks = plan.of(participant)
        self.participant = participant
        self._folder = folder
        self._open_session = open_session
        self._origin: Origin = origin
        self._touches = log_touches
        self._device = device
        self._clock = clock
        self._zero = clock()
        self._logs: dict[str, StudyLogWriter] = {}
        self._open: tuple[SittingTrial, Session] | None = None
        self._offset: dict[str, float] = {}
        folder.mkdir(parents=True, exist_ok=True)
        conditions = dict.fromkeys(block.condition for block in self.blocks)
        logs = [self._read(name) for name in conditions if self._path(name).exists()]
        self._done, _ = told_trials(self.blocks, logs)

    def _path(self, condition: str) -> Path:
        return self._folder / f"{self.participant}-{condition}.jsonl"

    def _read(self, condition: str) -> StudyLog:
        """The log of an earlier sitting, whose clock goes on."""
        path = self._path(condition)
        log = StudyLog.read(path)
        for field, want in (("participant", self.participant), ("condition", condition)):
            if getattr(log.header, field) != want:
                raise StudyLogError(
                    f"is {getattr(log.header, field)!r}, not {want!r}",
                    where=str(path),
                    field=field,
                    fix="name another folder for the logs",
                )
        self._offset[condition] = max((event.t for event in log.events), default=0.0)
        return log

    def next(self) -> SittingTrial | None:
        """The next phrase to type; None where all are done."""
        return next_trial(self.blocks, self._done)

    def begin(self, trial: SittingTrial) -> Session:
        """Show the phrase: its prompt goes into the log, and an empty session takes what is typed."""
        condition = trial.block.condition
        session, log = self._open_session(condition), self._log(condition)
        log.prompt(
            trial.phrase,
            self.now(condition),
            block=trial.block.block,
            trial=trial.trial,
            practice=trial.block.practice,
        )
        session.observe(SessionLog(log, log_touches=self._touches))
        self._open = trial, session
        return session

    def rest(self, trial: SittingTrial, seconds: float) -> None:
        """Log a rest before a trial that took so many seconds."""
        condition = trial.block.condition
        self._log(condition).event("rest", self.now(condition), seconds=round(seconds, 3))

    def now(self, condition: str) -> float:
        """Seconds on the clock of a condition's log, which goes on where an earlier sitting stopped."""
        return round(self._clock() - self._zero + self._offset.get(condition, 0.0), 6)

    def end(self, *, aborted: bool = False) -> str:
        """The phrase is done, or `aborted` and will come again; the text typed."""
        if self._open is None:
            raise StudyLogError("no trial is open", field="trial", fix="begin one first")
        trial, session = self._open
        condition = trial.block.condition
        self._logs[condition].end(self.now(condition), **({"aborted": True} if aborted else {}))
        if not aborted:
            self._done |= {trial.place}
        self._open = None
        return session.text

    def _log(self, condition: str) -> StudyLogWriter:
        if condition not in self._logs:
            path = self._path(condition)
            self._logs[condition] = (
                StudyLogWriter.resume(path)
                if path.exists()
                else StudyLogWriter(
                    path,
                    participant=self.participant,
                    condition=condition,
                    origin=self._origin,
                    layout=self._open_session(condition).layout.name,
                    device=self._device,
                    started=datetime.now(UTC).isoformat(),
                )
            )
        return self._logs[condition]

    def close(self) -> None:
        """End an open trial as aborted and let go of the logs; closing twice is allowed."""
        if self._open is not None:
            self.end(aborted=True)
        for log in self._logs.values():
            log.close()
