"""Searching layouts where listing explodes: annealing with restarts, and the non-dominated set."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import exp, inf, isfinite

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError
from nearkey.layout.layout import Layout
from nearkey.search.moves import Moves
from nearkey.seeds import Seed, seed_number

_TRIALS = 30  # moves that set the starting temperature


@dataclass(frozen=True, slots=True)
class AnnealRecord:
    """How far an annealing run has come.

    Parameters
    ----------
    restart, step : the run, from 0, and how many of its moves are done.
    steps : the moves of a run.
    temperature : in the unit of the score.
    accepted : moves taken so far in this run.
    score : of the layout the run stands at.
    best, best_score : the best layout of all runs so far.
    """

    restart: int
    step: int
    steps: int
    temperature: float
    accepted: int
    score: float
    best: Layout
    best_score: float


def anneal(
    layout: Layout,
    score: Callable[[Layout], float],
    moves: Moves,
    *,
    seed: Seed,
    steps: int = 2_000,
    restarts: int = 4,
    first_restart: int = 0,
    start_temperature: float | None = None,
    end_share: float = 1e-3,
    every: int = 100,
) -> Iterator[AnnealRecord]:
    """Simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983), run several times.

    Run 0 starts at `layout`, each other run at a layout many random moves away. The temperature
    falls geometrically. A run draws on its own random numbers, made of the seed and its number,
    so runs may be done apart and an interrupted search goes on with `first_restart`.

    Parameters
    ----------
    layout : where to start.
    score : higher is better; finite. Layouts are hashable, so `functools.cache` can wrap it.
    moves : the neighbourhood, as `FreeMoves` or `OrderedMoves`.
    seed : of all random choices.
    steps : moves tried in a run.
    restarts : number of runs; those numbered from `first_restart` up to here are done.
    start_temperature : unless given, the mean change of the score over some first random moves.
    end_share : the last temperature as a share of the first.
    every : steps between records.

    Yields
    ------
    AnnealRecord
        Every `every` steps and at the end of each run. The best layout is named after the first
        one with "-annealed".

    Raises
    ------
    LayoutError
        For options out of range (at once), or a score that is not finite.
    """
    seed = seed_number(seed)
    for field, value, least in (
        ("steps", steps, 1),
        ("every", every, 1),
        ("first_restart", first_restart, 0),
        ("restarts", restarts, first_restart + 1),
    ):
        if value < least:
            raise LayoutError(f"is {value}", field=field, fix=f"give {least} or more")
    hot = start_temperature
    for field, given, allowed, fix in (
        ("end_share", end_share, 0 < end_share <= 1, "give a share above 0, up to 1"),
        ("start_temperature", hot, hot is None or 0 < hot < inf, "give a number above 0"),
    ):
        if not allowed:
            raise LayoutError(f"is {given}", field=field, fix=fix)
    start, scored = layout.renamed(f"{layout.name}-annealed"), _checked(score)

    def runs() -> Iterator[AnnealRecord]:
        best, best_score = start, scored(start)
        for run in range(first_restart, restarts):
            rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(run,)))
            here = start
            for _ in range(4 * len(start.letters) if run else 0):
                here = moves.draw(here, rng)
            here_score = scored(here)
            first = start_temperature or _typical_change(here, here_score, scored, moves, rng)
            accepted = 0
            for step in range(1, steps + 1):
                temperature = first * end_share ** ((step - 1) / max(steps - 1, 1))
                there = moves.draw(here, rng)
                there_score = scored(there)
                loss = here_score - there_score
                # Drawn in any case, so that a step's random numbers do not hang on the last one.
                chance = rng.random()
                if loss <= 0 or chance < exp(-loss / temperature):
                    here, here_score, accepted = there, there_score, accepted + 1
                if here_score > best_score:
                    best, best_score = here, here_score
                if step % every == 0 or step == steps:
                    yield AnnealRecord(
                        run, step, steps, temperature, accepted, here_score, best, best_score
                    )

    return runs()


def _typical_change(
    layout: Layout,
    value: float,
    score: Callable[[Layout], float],
    moves: Moves,
    rng: np.random.Generator,
) -> float:
    changes = [abs(score(moves.draw(layout, rng)) - value) for _ in range(_TRIALS)]
    # A flat neighbourhood says nothing of the scale: then any positive temperature will do.
    return float(np.mean(changes)) or 1.0


def _checked(score: Callable[[Layout], float]) -> Callable[[Layout], float]:
    def checked(layout: Layout) -> float:
        value = float(score(layout))
        if not isfinite(value):
            raise LayoutError(
                f'the score of layout "{layout.name}" is {value}',
                field="score",
                fix="return a finite number, higher for better",
            )
        return value

    return checked


def pareto_front(points: npt.ArrayLike, *, maximise: bool = False) -> npt.NDArray[np.intp]:
    """The non-dominated set (Pareto front): points than which no other is as good in all and better in one.

    Parameters
    ----------
    points : (n, m), a row a candidate, a column an objective; lower is better in each.
    maximise : higher is better in each instead. Flip a column's sign to mix the two.

    Returns
    -------
    (k,) positions in ascending order; equal points stand or fall together.

    Raises
    ------
    LayoutError
        When the array is not (n, m) or holds a NaN.
    """
    array = np.asarray(points, dtype=np.float64)
    if array.ndim != 2 or np.isnan(array).any():
        problem = "some are not numbers" if array.ndim == 2 else f"points of shape {array.shape}"
        raise LayoutError(problem, field="points", fix="give an array (n, m) of numbers")
    costs = -array if maximise else array
    dominated = [
        bool(((costs <= point).all(axis=1) & (costs < point).any(axis=1)).any()) for point in costs
    ]
    return np.flatnonzero(~np.array(dominated, dtype=bool))
