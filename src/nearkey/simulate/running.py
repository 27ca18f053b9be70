"""Carrying out trials: chunks over threads or an executor, kept in a checkpoint, reported as they are done."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

from nearkey.simulate.checkpoint import Checkpoint
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.spreading import spread, workers_of
from nearkey.simulate.trial import Judged, TypingTrial
from nearkey.simulate.workload import Workload

Job = tuple[str, int]
_TASKS = 4  # a worker elsewhere


def run_trials(
    trials: Mapping[str, TypingTrial],
    workload: Workload,
    options: SimulationOptions,
    *,
    chunks: range | None = None,
    store: Checkpoint | None = None,
    done: Callable[[str], None] = lambda name: None,
) -> dict[str, list[Judged]]:
    """Type chunks of a workload in every trial; what comes out does not depend on how the work is spread.

    chunks : those to type, all without it. store : keeps finished chunks, and those it has are not typed again.
    done : called with a trial's name after each of its chunks.
    Returns what was judged of each trial, a chunk after the other.
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
    return {name: [found[name, chunk] for chunk in chunks] for name in trials}


def _carried_out(
    trials: Mapping[str, TypingTrial],
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
    shared: tuple[Mapping[str, TypingTrial], Mapping[int, Workload]], jobs: Sequence[Job]
) -> list[Judged]:
    trials, pieces = shared
    return [trials[name].run(pieces[chunk], chunk) for name, chunk in jobs]
