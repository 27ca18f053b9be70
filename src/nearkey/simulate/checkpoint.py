"""Finished chunks of a ranking on disk, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import PlanError
from nearkey.simulate.trial import Outcome
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.words import WordSample

__all__ = ["Checkpoint", "fingerprint"]

SCHEMA = "nearkey-ranking-checkpoint"
VERSION = 1


def fingerprint(
    *,
    layouts: Sequence[dict[str, Any]],
    touch: Sequence[tuple[SamplingTouchModel, Any]],
    words: WordSample,
    settings: tuple[Any, ...],
) -> str:
    """A digest of all that decides a ranking's numbers. Touch models are known by what they draw and say."""
    digest = hashlib.sha256(json.dumps(list(layouts), sort_keys=True, ensure_ascii=False).encode())
    digest.update(words.index.tobytes())
    digest.update(repr((words.states, settings)).encode())
    for truth, believed in touch:
        keys = np.repeat(np.arange(len(truth.key_ids)), 4)
        points = np.ascontiguousarray(truth.sample(keys, np.random.default_rng(0)))
        digest.update(points.tobytes())
        digest.update(np.ascontiguousarray(believed.log_prob(points)).tobytes())
    return digest.hexdigest()


class Checkpoint:
    """An append-only file of outcomes, one a line. A line torn by a kill is dropped.

    Raises `PlanError` when the file belongs to another run or is damaged before its last line.
    """

    def __init__(self, path: str | os.PathLike[str], mark: str) -> None:
        self._path = Path(path)
        self._done: dict[tuple[str, int], Outcome] = {}
        header = {"schema": SCHEMA, "version": VERSION, "run": mark}
        if self._path.exists() and self._path.stat().st_size:
            self._read(header)
        else:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._append(header)

    def get(self, job: tuple[str, int]) -> Outcome | None:
        """A finished chunk of a layout, or None."""
        return self._done.get(job)

    def put(self, job: tuple[str, int], outcome: Outcome) -> None:
        """Keep a finished chunk."""
        self._done[job] = outcome
        self._append(
            {
                "layout": job[0],
                "chunk": job[1],
                "rank": outcome.rank.tolist(),
                "first": outcome.first.tolist(),
                "keystrokes": outcome.keystrokes.tolist(),
                "seconds": outcome.seconds.tolist(),
            }
        )

    def _append(self, record: dict[str, Any]) -> None:
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(record, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())

    def _read(self, header: dict[str, Any]) -> None:
        where = str(self._path)
        data = self._path.read_bytes()
        whole = data.rfind(b"\n") + 1
        if whole < len(data):
            os.truncate(self._path, whole)
        if whole == 0:
            self._append(header)
            return
        for number, line in enumerate(data[:whole].splitlines(), start=1):
            try:
                record = json.loads(line)
                if number == 1:
                    if record != header:
                        raise PlanError(
                            "belongs to another run",
                            where=where,
                            fix="name another file, or repeat the run with the settings it was made with",
                        )
                    continue
                self._done[str(record["layout"]), int(record["chunk"])] = Outcome(
                    np.asarray(record["rank"], dtype=np.int64),
                    np.asarray(record["first"], dtype=np.int64),
                    np.asarray(record["keystrokes"], dtype=np.float64),
                    np.asarray(record["seconds"], dtype=np.float64),
                )
            except (KeyError, TypeError, UnicodeDecodeError, json.JSONDecodeError):
                raise PlanError(
                    "is damaged",
                    where=where,
                    field=f"line {number}",
                    fix="remove the file and run again",
                ) from None
