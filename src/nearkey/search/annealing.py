"""Searching layouts where listing explodes: small changes to a grid, annealing with restarts, the non-dominated set."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations, groupby, product
from math import exp, inf, isfinite
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from nearkey.errors import LayoutError
from nearkey.layout.layout import Layout
from nearkey.search.letter_space import Keys, grid_space
from nearkey.seeds import Seed, seed_number

_TRIALS = 30  # moves that set the starting temperature


class Moves(Protocol):
    """A neighbourhood of layouts. Both methods keep every letter placed and every key filled."""

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """All layouts one move away, in a fixed order, under the layout's own name."""

    def draw(self, layout: Layout, seed: Seed) -> Layout:
        """One of them at random; the layout itself where there is none."""


class _Neighbourhood:
    """Moves by way of a list of changes to a layout, in a fixed order."""

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """All layouts one move away, in a fixed order: `LayoutError` for a layout that cannot be read."""
        for change in self._changes(layout):
            yield self._changed(layout, change)

    def draw(self, layout: Layout, seed: Seed) -> Layout:
        """One neighbour, each equally likely; the layout itself where there is none."""
        rng = np.random.default_rng(seed)
        changes = list(self._changes(layout))
        return (
            self._changed(layout, changes[int(rng.integers(len(changes)))]) if changes else layout
        )

    def _changes(self, layout: Layout) -> Iterator[Any]:
        """Every change that keeps every letter placed and every key filled."""
        raise NotImplementedError

    def _changed(self, layout: Layout, change: Any) -> Layout:
        raise NotImplementedError


class FreeMoves(_Neighbourhood):
    """Two letters of different keys change places, or a letter goes to another key.

    Every swap comes before every move of a single letter.

    Parameters
    ----------
    base : gives the order in which the letters of a key are written, so that equal groupings are
        equal layouts.
    """

    def __init__(self, base: Layout) -> None:
        self._order = {letter: i for i, letter in enumerate(base.letters)}

    def _changes(self, layout: Layout) -> Iterator[tuple[str, str | int]]:
        """Letters to swap, then letters and the keys they go to."""
        groups = self._groups(layout)
        for first, second in combinations(groups, 2):
            yield from product(first, second)
        for i, group in enumerate(groups):
            for letter in group if len(group) > 1 else "":
                yield from ((letter, target) for target in range(len(groups)) if target != i)

    def _changed(self, layout: Layout, change: tuple[str, str | int]) -> Layout:
        letter, other = change
        groups = self._groups(layout)
        if isinstance(other, str):
            swap = str.maketrans({letter: other, other: letter})
            changed = [group.translate(swap) for group in groups]
        else:
            changed = [group.replace(letter, "") for group in groups]
            changed[other] += letter
        order = self._order.__getitem__
        return layout.with_letters("".join(sorted(group, key=order)) for group in changed)

    def _groups(self, layout: Layout) -> list[str]:
        unknown = [letter for letter in layout.letters if letter not in self._order]
        if unknown:
            raise LayoutError(
                f"{unknown[0]!r} is not in the base",
                where=f'layout "{layout.name}"',
                field="letters",
                fix="give the base the layout was made from",
            )
        return [key.letters for key in layout.letter_keys]


class OrderedMoves(_Neighbourhood):
    """Within a base row, a boundary between columns moves by a letter, or a run changes grid row.

    Parameters
    ----------
    base, rows, columns : as for `grid_layouts`, whose rule "ordered" says which grids there are.
    """

    def __init__(self, base: Layout, *, rows: int, columns: int) -> None:
        self._space = grid_space(base, rows=rows, columns=columns, rule="ordered")
        self._grid = f"{rows} x {columns} grid over {base.name}"

    def _changes(self, layout: Layout) -> Iterator[Keys]:
        """The keys of all letters after each change that leaves no key empty."""
        space, keys = self._space, self._read(layout)
        moves: list[tuple[tuple[int, ...], list[int], int]] = []
        for row, letters in groupby(range(len(keys)), key=lambda i: (space.rows[i], keys[i])):
            run = list(letters)
            column = space.column[keys[run[0]]]
            # The letter at either end of a run to the next column, the run to another row of its own.
            for moved, step in ((run[-1:], 1), (run[:1], -1), (run, 0)):
                # A base row's boundaries between columns come before its runs: seeds draw from this order.
                order = (row[0], step == 0, column - (step < 0), step < 0)
                moves.append((order, moved, step))
        for _, moved, step in sorted(moves):
            here = keys[moved[0]]
            for key in space.domains[moved[0]]:
                if key != here and space.column[key] - space.column[here] == step:
                    changed = list(keys)
                    for i in moved:
                        changed[i] = key
                    if space.allows(changed):
                        yield tuple(changed)

    def _changed(self, layout: Layout, change: Keys) -> Layout:
        key_of = dict(zip(self._space.letters, change, strict=True))
        return layout.with_letters(
            "".join(letter for letter in self._space.base.letters if key_of[letter] == key)
            for key in range(len(self._space.key_ids))
        )

    def _read(self, layout: Layout) -> Keys:
        """The keys of the letters in a layout."""
        space, ids = self._space, tuple(key.id for key in layout.letter_keys)
        if ids == space.key_ids and sorted(layout.letters) == sorted(space.letters):
            keys = space.keys_of(layout)
            if space.allows(keys):
                return keys
        raise LayoutError(
            f"not an ordered {self._grid}",
            where=f'layout "{layout.name}"',
            field="keys",
            fix='start from one that grid_layouts gives with rule "ordered"',
        )


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
