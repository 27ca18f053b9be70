"""Where a lab keeps what it records: a folder with one folder a participant, all for the owner's eyes only."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from nearkey.errors import NearkeyError, PlanError, StudyLogError
from nearkey.files import atomic_write
from nearkey.lab.lab_messages import StartRequest
from nearkey.study import (
    StudyLog,
    StudyLogWriter,
    StudyPlan,
    WorkloadAnswer,
    add_workload_answer,
    read_workload_answers,
)
from nearkey.touch import TouchLogWriter

STATE_FILE = "lab-state.json"
_PLAN_FILE = "study-plan.json"


class LabFolder:
    """The files of a lab in `path`, made when first needed, mode 0700."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def make(self) -> None:
        """Make the folder. Raises NearkeyError where that cannot be."""
        try:
            self.path.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as fault:
            raise NearkeyError(
                f"cannot be made ({fault.strerror})", where=self.path, fix="name another folder"
            ) from None

    def of(self, participant: str, kind: str, condition: str, suffix: str) -> Path:
        """A participant's file; its folder is there then."""
        folder = self.path / participant
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return folder / f"{kind}-{condition}{suffix}"

    def touch_log(self, participant: str, condition: str) -> TouchLogWriter:
        """The participant's calibration touches under a condition, in mm, forced to disk row by row."""
        return TouchLogWriter(
            self.of(participant, "touches", condition, ".jsonl"), unit="mm", sync=True
        )

    def model_path(self, participant: str, condition: str) -> Path:
        """Where the participant's fitted model lies."""
        return self.of(participant, "model", condition, ".json")

    def study_log_path(self, participant: str, condition: str) -> Path:
        """Where the participant's study log of a condition lies."""
        return self.of(participant, "study", condition, ".jsonl")

    def study_writer(self, header: dict[str, Any]) -> StudyLogWriter:
        """The study log of a participant under a condition, begun with `header` or gone on with; forced to disk."""
        path = self.study_log_path(header["participant"], header["condition"])
        if path.exists():
            return StudyLogWriter.resume(path, sync=True, keep_open=True)
        return StudyLogWriter(path, sync=True, **header)

    def study_log_names(self) -> tuple[str, ...]:
        """The study logs that are there, named from the folder."""
        found = sorted(self.path.glob("*/study-*.jsonl"))
        return tuple(path.relative_to(self.path).as_posix() for path in found)

    def read_study_log(self, name: str) -> StudyLog:
        """A study log by its name in `study_log_names`; StudyLogError for any other name."""
        if name not in self.study_log_names():
            raise StudyLogError(
                "no such log", where=name, field="log", fix="choose one of the list"
            )
        return StudyLog.read(self.path / name)

    def study_logs(self, participant: str) -> list[StudyLog]:
        """The participant's study logs."""
        return [
            StudyLog.read(path) for path in sorted((self.path / participant).glob("study-*.jsonl"))
        ]

    def keep_workload(self, answer: WorkloadAnswer) -> None:
        """Add what a participant says of the work to the participant's own log."""
        add_workload_answer(self._workload_path(answer.participant), answer)

    def rated(self, participant: str) -> frozenset[str]:
        """The conditions whose work the participant has told of."""
        path = self._workload_path(participant)
        answers = read_workload_answers(path) if path.exists() else ()
        return frozenset(answer.condition for answer in answers)

    def _workload_path(self, participant: str) -> Path:
        return self.path / participant / "workload.jsonl"

    def keep_plan(self, plan: StudyPlan) -> StudyPlan:
        """Keep the study's plan beside its logs, and give the one to carry out: participants who were forgotten
        stay out.

        Raises PlanError where another plan lies there, and logs with it.
        """
        path = self.path / _PLAN_FILE
        if path.exists():
            kept = StudyPlan.read(path)
            if kept.conditions == plan.conditions and set(kept.blocks) <= set(plan.blocks):
                return kept
            if self.study_log_names():
                raise PlanError(
                    "differs from the plan that is to be carried out, and has logs",
                    where=str(path),
                    fix="keep each study in a folder of its own, or restore its plan",
                )
        plan.write(path)
        path.chmod(0o600)
        return plan

    def keep_state(self, start: StartRequest | None) -> None:
        """Remember the activity under way, so that a lab started again goes on with it; None forgets it."""
        path = self.path / STATE_FILE
        if start is None:
            path.unlink(missing_ok=True)
            return
        with atomic_write(path, "wb", private=True) as out:
            out.write(msgspec.json.encode(start))

    def state(self) -> StartRequest | None:
        """The activity that was under way when the lab stopped; None where there was none, or it cannot be read."""
        try:
            return msgspec.json.decode((self.path / STATE_FILE).read_bytes(), type=StartRequest)
        except (OSError, msgspec.MsgspecError, UnicodeError):
            return None
