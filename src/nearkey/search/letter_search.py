"""Searching a space of letter assignments: listed whole, or annealed with restarts, in chunks that any worker may do.

A chunk is a part of the listing, or one annealing run with random numbers of its own. What comes out of it depends on
its number and the seed alone, so the result is the same whatever the workers are and in whatever order they finish,
and finished chunks in a checkpoint are not done again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from itertools import islice
from math import inf, log
from os import PathLike
from time import monotonic
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nearkey.bounds import MOST_WORKERS, whole_number
from nearkey.errors import PlanError
from nearkey.search.letter_space import Keys, LetterSpace
from nearkey.search.objectives import NearObjective, Objective
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.chunk_log import ChunkLog
from nearkey.simulate.spreading import spread

Floats = NDArray[np.float64]

SCHEMA = "nearkey-search-checkpoint"
VERSION = 2
"""1 had no check sums."""
_PIECE = 20_000  # layouts of a listed chunk at most
_BATCH = 2_000  # evaluated in one call
_STAYED = 24  # steps at a layout before its neighbours are distinguished unevaluated: that has a cost of its own
_SCALE = 64  # layouts drawn to learn the scale of each objective


@dataclass(frozen=True, kw_only=True, slots=True)
class LetterSearchOptions:
    """How a search is carried out. All but `workers` and `executor` decide what comes out.

    Parameters
    ----------
    method : "list" evaluates every layout; "anneal" runs simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983) with
        restarts, each followed by the steepest ascent to a layout that no move makes better; "auto" lists where the
        space has no more than `list_at_most` layouts.
    seed : of all random choices.
    restarts : annealing runs. With several objectives the first runs look for the best of each, the others for the best
        weighted sum, each with weights of its own, drawn uniformly.
    steps : moves tried in a run.
    kept : layouts kept: the non-dominated ones first, then the best of each objective.
    workers : threads. executor : a `concurrent.futures` executor or a `dask.distributed` client instead.
    """

    method: Literal["auto", "list", "anneal"] = "auto"
    seed: Seed = 0
    restarts: int = 8
    steps: int = 4_000
    kept: int = 200
    list_at_most: int = 400_000
    workers: int = 1
    executor: Any = field(default=None, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "seed", seed_number(self.seed))
        if self.method not in ("auto", "list", "anneal"):
            raise PlanError(
                f"{self.method!r} is not known", field="method", fix="write auto, list or anneal"
            )
        for name, low, high in (
            ("seed", 0, 1 << 63),
            ("restarts", 1, 1_000_000),
            ("steps", 1, 1_000_000_000),
            ("kept", 1, 1_000_000),
            ("list_at_most", 0, 1_000_000_000),
            ("workers", 1, MOST_WORKERS),
        ):
            whole_number(getattr(self, name), low=low, high=high, error=PlanError, field=name)


@dataclass(frozen=True, slots=True)
class FoundLayouts:
    """Layouts of a space with their objectives, the non-dominated first, by falling first objective.

    keys : (n, n_letters) uint8. values : (n, n_objectives). front : (n,), whether no layout found is as good in all and
    better in one.
    """

    keys: NDArray[np.uint8]
    values: Floats
    front: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.keys)


@dataclass(frozen=True, slots=True)
class SearchRecord:
    """How far a search has come; `found` is a usable result at any time.

    done, total : chunks. evaluated : layouts evaluated, in chunks of an earlier run too. seconds_left : at the rate so
    far; None before there is one. method : "list" or "anneal". count : layouts in the space.
    """

    found: FoundLayouts
    done: int
    total: int
    evaluated: int
    seconds_left: float | None
    method: str
    count: int

    @property
    def complete(self) -> bool:
        """Whether every layout of the space was evaluated."""
        return self.method == "list" and self.done == self.total


@dataclass(frozen=True)
class _Task:
    """What all chunks have in common: sent to a worker once."""

    space: LetterSpace
    objectives: tuple[Objective, ...]
    options: LetterSearchOptions
    low: Floats
    high: Floats

    def signed(self, keys: NDArray[np.uint8]) -> Floats:
        """Objectives turned so that more is better, (n, n_objectives)."""
        return np.stack(
            [_sign(one) * one.evaluate(self.space, keys) for one in self.objectives], axis=1
        )


_Chunk = tuple[NDArray[np.uint8], Floats, int]
"""Assignments kept, their signed objectives, layouts evaluated."""


def search_letters(
    space: LetterSpace,
    objectives: Sequence[Objective],
    *,
    checkpoint: str | PathLike[str] | None = None,
    stop: Callable[[], bool] = lambda: False,
    options: LetterSearchOptions | None = None,
) -> Iterator[SearchRecord]:
    """Search a space for the layouts that no other beats in all objectives.

    Parameters
    ----------
    space : what is allowed. objectives : one or more.
    checkpoint : a file that keeps finished chunks; the same search goes on from it.
    stop : asked after each chunk; True ends the search there.
    options : see `LetterSearchOptions`.

    Yields
    ------
    SearchRecord
        At the start and after each chunk.

    Raises
    ------
    PlanError
        For a space without layouts or too large to list, no objective, or a checkpoint of another search.
    """
    options = options or LetterSearchOptions()
    if not objectives:
        raise PlanError("none", field="objectives", fix="name one or more")
    count = space.count()
    if not count:
        raise PlanError(
            "allows no layout", where=space.name, field="constraints", fix="loosen one of them"
        )
    method = options.method
    if method == "auto":
        method = "list" if count <= options.list_at_most else "anneal"
    if method == "list" and count > 100_000_000:
        raise PlanError(
            f"{count:,} layouts are too many to list", field="method", fix="write anneal"
        )
    jobs: list[Any] = (
        list(space.prefixes(_PIECE)) if method == "list" else list(range(options.restarts))
    )
    rng = np.random.default_rng(np.random.SeedSequence(seed_number(options.seed), spawn_key=(0,)))
    drawn = space.array(space.draw(rng) for _ in range(_SCALE))
    alone = replace(options, executor=None, workers=1)  # without what cannot travel
    task = _Task(space, tuple(objectives), alone, np.zeros(0), np.zeros(0))
    sample = task.signed(drawn)
    low, high = sample.min(axis=0), sample.max(axis=0)
    task = replace(task, low=low, high=np.where(high > low, high, low + 1.0))
    chunks: dict[int, _Chunk] = {}

    def take(kept: dict[str, Any]) -> None:
        values = np.asarray(kept["values"], dtype=np.float64)
        keys = np.asarray(kept["keys"], dtype=np.uint8)
        chunks[int(kept["chunk"])] = (keys, values, int(kept["evaluated"]))

    def run() -> Iterator[SearchRecord]:
        store = None
        if checkpoint is not None:
            o = options
            settings = [method, len(jobs), o.seed, o.restarts, o.steps, o.kept]
            header = checkpoint_header(space, objectives, settings, sample)
            store = ChunkLog(checkpoint, header, take, work="search")
        resumed, started = len(chunks), monotonic()

        def record() -> SearchRecord:
            done, spent = len(chunks), monotonic() - started
            left = spent / (done - resumed) * (len(jobs) - done) if done > resumed else None
            found = [chunks[i] for i in sorted(chunks)]
            evaluated = sum(one[2] for one in found)
            joined = _joined(task, found)
            return SearchRecord(joined, done, len(jobs), evaluated, left, method, count)

        waiting = [i for i in range(len(jobs)) if i not in chunks]
        work = [(method, i, jobs[i]) for i in waiting]
        how = {"workers": options.workers, "executor": options.executor}
        with store or nullcontext():
            yield record()
            for place, chunk in spread(_do_chunk, task, work, **how):
                chunks[waiting[place]] = chunk
                if store is not None:
                    keys, values, evaluated = chunk
                    kept = {"keys": keys.tolist(), "values": values.tolist()}
                    store.append({"chunk": waiting[place], **kept, "evaluated": evaluated})
                yield record()
                if stop():
                    return

    return run()


def _sign(objective: Objective) -> float:
    return 1.0 if objective.direction == "max" else -1.0


def _do_chunk(task: _Task, job: tuple[str, int, Any]) -> _Chunk:
    method, number, what = job
    return _list(task, what) if method == "list" else _anneal(task, number)


def _list(task: _Task, prefix: Keys) -> _Chunk:
    parts: list[_Chunk] = []
    listing = task.space.listing(prefix)
    while batch := list(islice(listing, _BATCH)):
        keys = task.space.array(batch)
        values = task.signed(keys)
        chosen = _chosen(values, task.options.kept)
        parts.append((keys[chosen], values[chosen], len(keys)))
    if not parts:
        return task.space.array([]), np.zeros((0, len(task.objectives))), 0
    keys, values = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
    chosen = _chosen(values, task.options.kept)
    return keys[chosen], values[chosen], sum(part[2] for part in parts)


def _anneal(task: _Task, number: int) -> _Chunk:
    """One run: annealing on a weighted sum of the objectives, then steepest ascent."""
    space, options, m = task.space, task.options, len(task.objectives)
    rng = np.random.default_rng(
        np.random.SeedSequence(seed_number(options.seed), spawn_key=(1, number))
    )
    weight = np.eye(m)[number] if number < m else rng.dirichlet(np.ones(m))
    tried: dict[Keys, Floats] = {}
    evaluated = 0
    objective = task.objectives[0]
    may_reach = objective.near(space) if m == 1 and isinstance(objective, NearObjective) else None
    # The highest scores, as many as are kept. Layouts of a lower score than these are neither kept nor, where no move
    # wants them, evaluated.
    highest: list[float] = []
    floor = -inf

    def scores_of(many: list[Keys], near: Keys | None = None, least: float = -inf) -> Floats:
        """Scores; minus infinity for layouts certainly below both `least` and the floor."""
        nonlocal evaluated, floor
        rows, scores = space.array(many), np.full(len(many), -inf)
        sure = np.ones(len(many), dtype=bool)
        worst = min(least, floor)
        if may_reach is not None and near is not None and worst > -inf:
            value = _sign(objective) * (task.low[0] + worst * (task.high[0] - task.low[0]))
            sure = may_reach(np.asarray(near, dtype=np.uint8), rows, float(value))
        evaluated += int(sure.sum())
        if sure.any():
            values = task.signed(rows[sure])
            scores[sure] = scaled(values)
            for i, value in zip(np.flatnonzero(sure).tolist(), values, strict=True):
                keys = space.canonical(many[i])
                if keys not in tried:
                    heappush(highest, float(scores[i]))
                tried[keys] = value
            while len(highest) > options.kept:
                heappop(highest)
                floor = highest[0]
        return scores

    def scaled(values: Floats) -> Floats:
        return np.asarray((values - task.low) / (task.high - task.low) @ weight)

    here = space.draw(rng)
    score = float(scores_of([here])[0])
    first = scores_of([space.draw_move(here, rng) for _ in range(20)])
    # A flat neighbourhood says nothing of the scale: then any positive temperature will do.
    hot = float(np.abs(first - score).mean()) or 1.0
    best, best_score, stayed = here, score, 0
    for step in range(options.steps):
        temperature = hot * 1e-3 ** (step / max(options.steps - 1, 1))
        there = space.draw_move(here, rng)
        # Drawn in any case, so that a step's random numbers do not hang on the last one.
        chance = rng.random()
        least = score + temperature * log(chance) if chance > 0 else -inf
        new = float(scores_of([there], here if stayed >= _STAYED else None, least)[0])
        stayed += 1
        if new >= least:
            here, score, stayed = there, new, 0
        if score > best_score:
            best, best_score = here, score
    while True:
        near = list(space.moves(best))
        scores = scores_of(near, best, best_score) if near else np.zeros(0)
        at = int(scores.argmax()) if near else 0
        if not near or scores[at] <= best_score + 1e-12:
            break
        best, best_score = near[at], float(scores[at])
    keys = sorted(tried)
    values = np.stack([tried[one] for one in keys])
    chosen = _chosen(values, options.kept)
    return space.array(keys)[chosen], values[chosen], evaluated


def non_dominated(values: Floats) -> NDArray[np.intp]:
    """Positions of rows than which no other is as good in all columns and better in one (more is better), ascending.

    The row with the largest sum is never dominated: it is taken, what it dominates goes, and so on.
    """
    remaining = np.arange(len(values))
    low, high = (values.min(axis=0), values.max(axis=0)) if len(values) else (0.0, 1.0)
    total = ((values - low) / np.where(np.asarray(high) > low, np.asarray(high) - low, 1.0)).sum(
        axis=1
    )
    front: list[int] = []
    while len(remaining):
        at = int(remaining[total[remaining].argmax()])
        own = values[remaining]
        worse = (own <= values[at]).all(axis=1) & (own < values[at]).any(axis=1)
        front.append(at)
        remaining = remaining[~worse & (remaining != at)]
    return np.asarray(sorted(front), dtype=np.intp)


def _chosen(values: Floats, kept: int) -> NDArray[np.intp]:
    """The rows to keep: the front, then the best of each objective in turn."""
    front = non_dominated(values)
    if len(front) >= kept or len(front) == len(values):
        return front[np.argsort(-values[front, 0], kind="stable")][:kept]
    chosen = dict.fromkeys(front[np.argsort(-values[front, 0], kind="stable")].tolist())
    orders = [np.argsort(-values[:, j], kind="stable")[: 2 * kept] for j in range(values.shape[1])]
    for place in range(len(orders[0])):
        for order in orders:
            if len(chosen) < kept:
                chosen.setdefault(int(order[place]))
    return np.asarray(list(chosen), dtype=np.intp)


def _joined(task: _Task, chunks: Sequence[_Chunk]) -> FoundLayouts:
    m = len(task.objectives)
    merged: dict[Keys, Floats] = {}
    for keys, values, _ in chunks:
        merged.update(zip((tuple(row) for row in keys.tolist()), values, strict=True))
    listed = sorted(merged)
    values = np.stack([merged[one] for one in listed]) if listed else np.zeros((0, m))
    chosen = _chosen(values, task.options.kept) if listed else np.zeros(0, dtype=np.intp)
    is_front = np.isin(chosen, non_dominated(values))
    sign = np.asarray([_sign(one) for one in task.objectives])
    return FoundLayouts(task.space.array(listed)[chosen], values[chosen] * sign, is_front)


def checkpoint_header(
    space: LetterSpace, objectives: Sequence[Objective], settings: Sequence[Any], sample: Floats
) -> dict[str, Any]:
    """The first record of a search's checkpoint, with a digest of all that decides its result.

    settings : what else does. sample : objectives of layouts drawn: they are known by name and by what they say.
    """
    names = [(one.name, one.direction) for one in objectives]
    what = [space.to_dict(), list(settings), names, sample.round(9).tolist()]
    mark = hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()
    return {"schema": SCHEMA, "version": VERSION, "run": mark}
