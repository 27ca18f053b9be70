"""Carrying out trials: chunks over threads or an executor, kept in a checkpoint, reported as they are done."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed

from nearkey.simulate.checkpoint import Checkpoint
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.trial import Judged, TypingTrial
from nearkey.simulate.workload import Workload

__all__ = ["run_trials"]

Job = tuple[str, int]


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
    if options.executor is None and options.workers == 1:
        for name, chunk in jobs:
            yield (name, chunk), trials[name].run(workload.chunk(chunk), chunk)
        return
    if options.executor is None:
        with ThreadPoolExecutor(options.workers) as pool:
            futures = {
                pool.submit(trials[name].run, workload.chunk(chunk), chunk): (name, chunk)
                for name, chunk in jobs
            }
            try:
                for future in as_completed(futures):
                    yield futures[future], future.result()
            finally:
                pool.shutdown(cancel_futures=True)
        return
    # Elsewhere the decoder and its pack are made anew for each task, so a task takes as much of one trial as it can.
    tasks = {}
    for name, trial in trials.items():
        own = [chunk for other, chunk in jobs if other == name]
        parts = min(max(1, options.workers // len(trials)), max(1, len(own)))
        for part in filter(None, (own[i::parts] for i in range(parts))):
            pieces = [(workload.chunk(chunk), chunk) for chunk in part]
            tasks[options.executor.submit(_run_all, trial, pieces)] = [(name, c) for c in part]
    for done in as_completed(tasks):
        yield from zip(tasks[done], done.result(), strict=True)


def _run_all(trial: TypingTrial, pieces: Sequence[tuple[Workload, int]]) -> list[Judged]:
    return [trial.run(chunk, number) for chunk, number in pieces]
