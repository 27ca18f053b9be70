"""Finished chunks of a ranking on disk, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from nearkey.simulate.chunk_log import ChunkLog
from nearkey.simulate.condition import Condition
from nearkey.simulate.identity import drawn_touches
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.trial import Judged
from nearkey.simulate.workload import Workload

SCHEMA = "nearkey-ranking-checkpoint"
VERSION = 2
"""1 had no check sums: a changed rank was believed."""

_KEPT = {"rank": np.int64, "first": np.int64, "keystrokes": np.float64, "seconds": np.float64}
"""What is kept of each word's outcome; the rest follows from the words."""


def fingerprint(
    conditions: Sequence[Condition], workload: Workload, settings: tuple[Any, ...]
) -> str:
    """A digest of all that decides a ranking's numbers. Touch models are known by what they draw and say."""
    layouts = [condition.layout.to_dict() for condition in conditions]
    digest = hashlib.sha256(json.dumps(layouts, sort_keys=True, ensure_ascii=False).encode())
    # As runs are marked that began when `Selection.k` had another name: they go on.
    told = repr(settings).replace(", k=", ", listed=")
    digest.update(f"({workload.vocabulary!r}, {workload.states!r}, {told})".encode())
    digest.update(workload.word.tobytes() + workload.index.tobytes())
    for condition in conditions:
        touch = condition.generating
        points = np.ascontiguousarray(drawn_touches(touch))
        digest.update(points.tobytes())
        digest.update(np.ascontiguousarray(condition.assumed.log_prob(points)).tobytes())
    return digest.hexdigest()


class Checkpoint(ChunkLog):
    """A log of outcomes, a chunk a line. Use it with `with`. Raises what `ChunkLog` does."""

    def __init__(self, path: str | os.PathLike[str], mark: str) -> None:
        self._done: dict[tuple[str, int], dict[str, Any]] = {}
        super().__init__(path, {"schema": SCHEMA, "version": VERSION, "run": mark}, self._take)

    def get(self, job: tuple[str, int], chunk: Workload) -> Judged | None:
        """A finished chunk of a layout, or None. `chunk` : the words it typed."""
        kept = self._done.get(job)
        if kept is None:
            return None
        columns: Any = {name: np.asarray(kept[name], kind) for name, kind in _KEPT.items()}
        return Judged(
            WordOutcomes(
                characters=chunk.characters, origin=chunk.origin, line=chunk.line, **columns
            )
        )

    def put(self, job: tuple[str, int], outcomes: WordOutcomes) -> None:
        """Keep a finished chunk."""
        columns = {name: getattr(outcomes, name).tolist() for name in _KEPT}
        self.append({"layout": job[0], "chunk": job[1], **columns})

    def _take(self, record: dict[str, Any]) -> None:
        done = {name: record[name] for name in _KEPT}
        self._done[str(record["layout"]), int(record["chunk"])] = done
