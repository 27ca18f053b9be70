"""Work spread over threads, processes or a cluster, with what all jobs have in common sent once."""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Executor, ThreadPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from threading import Lock
from typing import Any, TypeVar
from uuid import uuid4

from nearkey.errors import PlanError

Job = TypeVar("Job")
Result = TypeVar("Result")

_TRIES = 4  # of a job whose worker went away
_KEPT: OrderedDict[str, Any] = OrderedDict()
_LOCK = Lock()
_MOST_KEPT = 2


def spread(
    work: Callable[[Any, Job], Result],
    shared: Any,
    jobs: Sequence[Job],
    *,
    workers: int = 1,
    executor: Any = None,
) -> Iterator[tuple[int, Result]]:
    """Do `work(shared, job)` for every job; the place of each job and what came out, as they are done.

    Parameters
    ----------
    work : a function of a module, so that it can be pickled.
    shared : what all jobs use. Goes to each process once, not with each job, and is kept there by the job after it.
    jobs : small; each large enough to be worth a message.
    workers : threads of this process, where there is no executor.
    executor : any `concurrent.futures.Executor`, or a `dask.distributed` client (or its executor). A job whose worker
        dies is done again by another.

    Raises
    ------
    PlanError
        For an executor that is none, and for jobs whose workers keep dying.
    """
    if executor is None and (workers == 1 or len(jobs) == 1):
        for i, job in enumerate(jobs):
            yield i, work(shared, job)
        return
    client = cluster_client(executor)
    if client is not None:
        yield from _on_cluster(work, shared, jobs, client)
        return
    if executor is None:
        with ThreadPoolExecutor(workers) as pool:
            yield from _on_executor(pool, [(work, shared, job) for job in jobs])
        return
    if not isinstance(executor, Executor):
        raise PlanError(
            f"{type(executor).__name__} cannot carry out work", field="executor",
            fix="give a concurrent.futures executor or a dask.distributed client",
        )  # fmt: skip
    if isinstance(executor, ThreadPoolExecutor):
        yield from _on_executor(executor, [(work, shared, job) for job in jobs])
        return
    parcel, mark = pickle.dumps(shared), uuid4().hex
    yield from _on_executor(executor, [(_unpacked, work, mark, parcel, job) for job in jobs])


def cluster_client(executor: Any) -> Any:
    """The `dask.distributed` client that an executor is, or stands for; None where it is neither."""
    for candidate in (executor, getattr(executor, "_client", None)):
        if hasattr(candidate, "scatter") and hasattr(candidate, "scheduler_info"):
            return candidate
    return None


def workers_of(executor: Any, workers: int) -> int:
    """How many jobs an executor does at once, as far as it says; `workers` where it does not."""
    client = cluster_client(executor)
    if client is not None:
        return max(1, int(sum(client.nthreads().values())))
    return max(workers, int(getattr(executor, "_max_workers", 1)))


def _unpacked(work: Callable[[Any, Any], Any], mark: str, parcel: bytes, job: Any) -> Any:
    """`work`, with the common parts unpickled once a process."""
    with _LOCK:
        if mark not in _KEPT:
            _KEPT[mark] = pickle.loads(parcel)
            while len(_KEPT) > _MOST_KEPT:
                _KEPT.popitem(last=False)
        shared = _KEPT[mark]
    return work(shared, job)


def _on_executor(pool: Executor, calls: Sequence[tuple[Any, ...]]) -> Iterator[tuple[int, Any]]:
    futures = {pool.submit(*call): i for i, call in enumerate(calls)}
    try:
        for future in as_completed(futures):
            yield futures[future], future.result()
    except BrokenProcessPool:
        raise PlanError(
            "a worker process ended",
            field="executor",
            fix="run again: finished chunks in a checkpoint are kept",
        ) from None
    finally:
        for future in futures:
            future.cancel()


def _on_cluster(
    work: Callable[[Any, Any], Any], shared: Any, jobs: Sequence[Any], client: Any
) -> Iterator[tuple[int, Any]]:
    # Untyped.
    import distributed

    cluster_completed: Any = distributed.as_completed
    killed: Any = distributed.scheduler.KilledWorker

    parcel, mark = pickle.dumps(shared), uuid4().hex
    waiting = list(range(len(jobs)))
    for _ in range(_TRIES):
        # Once to the cluster, whose workers hand it on to each other. It is lost with the last worker that has it:
        # then the jobs that needed it are cancelled, and it is sent again.
        (kept,) = client.scatter([parcel], hash=False)
        futures = {
            client.submit(
                _unpacked,
                work,
                mark,
                kept,
                jobs[i],
                pure=False,
                key=f"nearkey-{mark}-{i}-{uuid4().hex[:8]}",
            ): i
            for i in waiting
        }
        failed: list[int] = []
        try:
            for future in cluster_completed(list(futures)):
                i = futures[future]
                try:
                    result = future.result()
                except (CancelledError, killed):
                    failed.append(i)
                    continue
                yield i, result
        finally:
            client.cancel(list(futures))
        if not failed:
            return
        waiting = sorted(failed)
    raise PlanError(
        f"{len(waiting)} jobs failed {_TRIES} times with their workers",
        field="executor",
        fix="look at the cluster's logs for memory",
    )
