"""Carrying out trials: chunks over threads or an executor, kept in a checkpoint, reported as they are done."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed

from nearkey.simulate.checkpoint import Checkpoint
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.trial import Judged, Trial
from nearkey.simulate.workload import Workload

__all__ = ["run_trials"]

Job = tuple[str, int]


def run_trials(
    trials: Mapping[str, Trial],
    workload: Workload,
    chunks: range,
    options: SimulationOptions,
    *,
    store: Checkpoint | None = None,
) -> Iterator[tuple[Job, Judged]]:
    """Type chunks of a workload in every trial; what comes out does not depend on how the work is spread.

    Yields ((name of the trial, chunk), what was judged) as chunks are done, the kept ones first.
    """
    waiting: list[Job] = []
    for chunk in chunks:
        for name in trials:
            kept = None if store is None else store.get((name, chunk), workload.chunk(chunk))
            if kept is None:
                waiting.append((name, chunk))
            else:
                yield (name, chunk), kept
    for job, judged in _carried_out(trials, workload, waiting, options):
        if store is not None:
            store.put(job, judged.outcomes)
        yield job, judged


def _carried_out(
    trials: Mapping[str, Trial], workload: Workload, jobs: Sequence[Job], options: SimulationOptions
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


def _run_all(trial: Trial, pieces: Sequence[tuple[Workload, int]]) -> list[Judged]:
    return [trial.run(chunk, number) for chunk, number in pieces]
