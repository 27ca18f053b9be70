"""Finished chunks of a ranking on disk, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from nearkey.closing import Closable
from nearkey.simulate.chunk_log import ChunkLog
from nearkey.simulate.condition import Condition
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.trial import Judged
from nearkey.simulate.workload import Workload

SCHEMA = "nearkey-ranking-checkpoint"
VERSION = 2
"""1 had no check sums: a changed rank was believed."""


def fingerprint(
    conditions: Sequence[Condition], workload: Workload, settings: tuple[Any, ...]
) -> str:
    """A digest of all that decides a ranking's numbers. Touch models are known by what they draw and say."""
    layouts = [condition.layout.to_dict() for condition in conditions]
    digest = hashlib.sha256(json.dumps(layouts, sort_keys=True, ensure_ascii=False).encode())
    digest.update(repr((workload.vocabulary, workload.states, settings)).encode())
    digest.update(workload.word.tobytes() + workload.index.tobytes())
    for condition in conditions:
        touch = condition.generating
        keys = np.repeat(np.arange(len(touch.key_ids)), 4)
        points = np.ascontiguousarray(touch.sample(keys, np.random.default_rng(0)))
        digest.update(points.tobytes())
        digest.update(np.ascontiguousarray(condition.assumed.log_prob(points)).tobytes())
    return digest.hexdigest()


class Checkpoint(Closable):
    """A log of outcomes, a chunk a line. Use it with `with`. Raises what `ChunkLog` does."""

    def __init__(self, path: str | os.PathLike[str], mark: str) -> None:
        self._done: dict[tuple[str, int], dict[str, Any]] = {}
        self._log = ChunkLog(path, {"schema": SCHEMA, "version": VERSION, "run": mark}, self._take)

    def close(self) -> None:
        """Let go of the file."""
        self._log.close()

    def get(self, job: tuple[str, int], chunk: Workload) -> Judged | None:
        """A finished chunk of a layout, or None. `chunk` : the words it typed."""
        kept = self._done.get(job)
        if kept is None:
            return None
        return Judged(
            WordOutcomes(
                np.asarray(kept["rank"], dtype=np.int64),
                np.asarray(kept["first"], dtype=np.int64),
                chunk.characters,
                np.asarray(kept["keystrokes"], dtype=np.float64),
                np.asarray(kept["seconds"], dtype=np.float64),
                chunk.origin,
                line=chunk.line,
            )
        )

    def put(self, job: tuple[str, int], outcomes: WordOutcomes) -> None:
        """Keep a finished chunk."""
        self._log.append(
            {
                "layout": job[0],
                "chunk": job[1],
                "rank": outcomes.rank.tolist(),
                "first": outcomes.first.tolist(),
                "keystrokes": outcomes.keystrokes.tolist(),
                "seconds": outcomes.seconds.tolist(),
            }
        )

    def _take(self, record: dict[str, Any]) -> None:
        self._done[str(record["layout"]), int(record["chunk"])] = {
            name: record[name] for name in ("rank", "first", "keystrokes", "seconds")
        }
