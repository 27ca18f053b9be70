"""Carrying out trials: chunks over threads or an executor, kept in a checkpoint so that an interrupted run goes on."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import numpy as np

from nearkey.simulate.chunk_log import ChunkLog
from nearkey.simulate.identity import drawn_touches
from nearkey.simulate.outcomes import WordOutcomes
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.spreading import spread, workers_of
from nearkey.simulate.trial import Condition, Judged, TypingTrial
from nearkey.simulate.workload import Workload

Name = TypeVar("Name", bound=Hashable)
Job = tuple[Any, int]
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
        self._done: dict[Job, dict[str, Any]] = {}
        super().__init__(path, {"schema": SCHEMA, "version": VERSION, "run": mark}, self._take)

    def get(self, job: Job, chunk: Workload) -> Judged | None:
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

    def put(self, job: Job, outcomes: WordOutcomes) -> None:
        """Keep a finished chunk."""
        columns = {name: getattr(outcomes, name).tolist() for name in _KEPT}
        self.append({"layout": job[0], "chunk": job[1], **columns})

    def _take(self, record: dict[str, Any]) -> None:
        done = {name: record[name] for name in _KEPT}
        self._done[str(record["layout"]), int(record["chunk"])] = done


_TASKS = 4  # a worker elsewhere


def run_trials(
    trials: Mapping[Name, TypingTrial],
    workload: Workload,
    options: SimulationOptions,
    *,
    chunks: range | None = None,
    store: Checkpoint | None = None,
    done: Callable[[Name], None] = lambda name: None,
) -> dict[Name, Judged]:
    """Type chunks of a workload in every trial; what comes out does not depend on how the work is spread.

    chunks : those to type, all without it. store : keeps finished chunks, and those it has are not typed again.
    done : called with a trial's name after each of its chunks.
    Returns what was judged of each trial, all its chunks together.
    """
    chunks = range(workload.n_chunks) if chunks is None else chunks
    found: dict[Job, Judged] = {}
    waiting: list[Job] = []
    for chunk in chunks:
        for name in trials:
            kept = None if store is None else store.get((name, chunk), workload.chunk(chunk))
            if kept is None:
                waiting.append((name, chunk))
            else:
                found[name, chunk] = kept
                done(name)
    for job, judged in _carried_out(trials, workload, waiting, options):
        if store is not None:
            store.put(job, judged.outcomes)
        found[job] = judged
        done(job[0])
    return {name: Judged.join([found[name, chunk] for chunk in chunks]) for name in trials}


def _carried_out(
    trials: Mapping[Any, TypingTrial],
    workload: Workload,
    jobs: Sequence[Job],
    options: SimulationOptions,
) -> Iterator[tuple[Job, Judged]]:
    # Elsewhere each message costs time, so a task takes as many chunks as leave each worker a few tasks; trial by
    # trial, since a trial's contexts are kept from chunk to chunk.
    own = [job for name in trials for job in jobs if job[0] == name]
    size = 1
    if not (options.executor is None or isinstance(options.executor, ThreadPoolExecutor)):
        size = -(-len(own) // (_TASKS * workers_of(options.executor, options.workers))) or 1
    tasks = [own[i : i + size] for i in range(0, len(own), size)]
    done = spread(
        _run_all,
        (dict(trials), {chunk: workload.chunk(chunk) for _, chunk in jobs}),
        tasks,
        workers=options.workers,
        executor=options.executor,
    )
    for place, judged in done:
        yield from zip(tasks[place], judged, strict=True)


def _run_all(
    shared: tuple[Mapping[Any, TypingTrial], Mapping[int, Workload]], jobs: Sequence[Job]
) -> list[Judged]:
    trials, pieces = shared
    return [trials[name].run(pieces[chunk], chunk) for name, chunk in jobs]
