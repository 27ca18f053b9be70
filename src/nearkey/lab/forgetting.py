"""Deleting everything of one participant, wherever under some folders it lies."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np

from nearkey.append_log import AppendLog
from nearkey.errors import NearkeyError, StudyLogError
from nearkey.files import atomic_write
from nearkey.lab.lab_folder import STATE_FILE
from nearkey.schema import parse_json
from nearkey.study import StudyLog, StudyPlan, WorkloadAnswer, read_workload_answers
from nearkey.touch import TouchLog

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Forgotten:
    """One file that held something of the participant. path : it. what : was in it. deleted : the file, else
    rows of it.
    """

    path: Path
    what: str
    deleted: bool

    def __str__(self) -> str:
        verb = "deleted" if self.deleted else "taken out of"
        return f"{verb} {self.path}: {self.what}"


def forget_participant(
    code: str, folders: Iterable[str | os.PathLike[str]], *, dry_run: bool = False
) -> tuple[Forgotten, ...]:
    """Delete what these folders, and those below them, hold of the participant called `code`.

    The participant's own folder of a lab goes with all that is in it; study logs whose header names the code go; rows
    of touch logs and answers about the work that name it go, with the file where no others are left; a study plan
    loses the participant's blocks; the memory of an activity under way goes. dry_run : only say.

    What was made of several people's data (a model, a table of measures) holds no code and stays: make it again.
    Raises NearkeyError for a folder that is not there or a log that is being written, before anything is deleted.
    """
    plain = code.replace("_", "").replace("-", "").replace(".", "")
    if not plain.isalnum():
        raise NearkeyError(
            f"{code!r} is no code",
            where="forget",
            field="code",
            fix="give letters, digits, - and _",
        )
    roots = [Path(folder) for folder in folders]
    for root in roots:
        if not root.is_dir():
            raise NearkeyError("no such folder", where=root, fix="name the folder with the logs")
    own = [
        folder
        for root in roots
        for folder in sorted({root / code, *root.rglob(code)})
        if folder.is_dir() and _is_participants(folder)
    ]
    inside = [path for folder in own for path in sorted(folder.rglob("*")) if path.is_file()]
    found = [Forgotten(path, _kind(path), True) for path in inside]
    seen = set(inside)
    for root in roots:
        for path in sorted(root.rglob("*")):
            if (
                path.is_file()
                and path not in seen
                and path.suffix in (".jsonl", ".csv", ".parquet", ".json")
            ):
                seen.add(path)
                held = _held(path, code)
                found += [held] if held else []
    for one in found:
        if one.path.suffix == ".jsonl":
            _check_free(one.path)
    if dry_run:
        return tuple(found)
    for one in found:
        if one.path in inside:
            continue
        if one.deleted:
            one.path.unlink()
        else:
            _take_out(one.path, code)
    for folder in own:
        shutil.rmtree(folder)
    return tuple(found)


def _is_participants(folder: Path) -> bool:
    """Whether a folder is one that a lab made for a participant."""
    names = [path.name for path in folder.iterdir()]
    return bool(names) and all(
        name.lstrip(".").startswith(("study-", "touches-", "model-", "workload.")) for name in names
    )


def _kind(path: Path) -> str:
    name = path.name
    if name.startswith("study-"):
        return "a study log"
    if name.startswith("workload"):
        return "answers about the work"
    return "calibration touches" if name.startswith("touches-") else "a model of the touches"


def _check_free(path: Path) -> None:
    """StudyLogError where somebody writes to the file."""
    AppendLog(path, error=StudyLogError, new=False).close()


def _held(path: Path, code: str) -> Forgotten | None:
    """What a file that lies in no folder of the participant's own holds of the participant; None where nothing."""
    if path.name == STATE_FILE:
        state = _read(lambda file: parse_json(file.read_bytes(), error=NearkeyError), path)
        own = isinstance(state, dict) and state.get("participant") == code
        return Forgotten(path, "the activity that was under way", True) if own else None
    log = _read(StudyLog.read, path) if path.suffix == ".jsonl" else None
    if log is not None:
        own = log.header.participant == code
        return Forgotten(path, f"a study log, {len(log.events)} events", True) if own else None
    what, whose = "touches", np.array([], dtype=np.str_)
    if path.suffix == ".json":
        plan = _read(StudyPlan.read, path)
        what = "blocks of a study plan"
        whose = np.array([block.participant for block in plan.blocks] if plan else [])
    elif answers := _answers(path):
        what, whose = "answers about the work", np.array([one.participant for one in answers])
    elif (touches := _read(TouchLog.read, path)) is not None:
        whose = touches.participant
    mine = whose == code
    if not mine.any():
        return None
    return Forgotten(path, f"{mine.sum()} {what}", bool(mine.all()) and path.suffix != ".json")


def _read(reader: Callable[[Path], T], path: Path) -> T | None:
    """What a file holds, where it is of the kind that `reader` reads."""
    try:
        return reader(path)
    except NearkeyError:
        return None


def _answers(path: Path) -> tuple[WorkloadAnswer, ...]:
    """What people said of the work, where that is what a file holds."""
    return (_read(read_workload_answers, path) or ()) if path.suffix == ".jsonl" else ()


def _take_out(path: Path, code: str) -> None:
    """The file without what it holds of the participant, with the rights it had."""
    mode = path.stat().st_mode & 0o777
    if path.suffix == ".json":
        plan = StudyPlan.read(path)
        kept = tuple(block for block in plan.blocks if block.participant != code)
        StudyPlan(plan.conditions, plan.seed, plan.balanced, kept).write(path)
    elif answers := _answers(path):
        with atomic_write(path, "wb", private=True) as out:
            for answer in answers:
                if answer.participant != code:
                    out.write(msgspec.json.encode(answer) + b"\n")
    else:
        log = TouchLog.read(path)
        log.select(log.participant != code).write(path)
    path.chmod(mode)
