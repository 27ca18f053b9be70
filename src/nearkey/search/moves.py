"""Small changes to a grid: what a local search may do to a layout in one step."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Protocol

import numpy as np

from nearkey.errors import LayoutError
from nearkey.layout.cells import plan_cells
from nearkey.layout.layout import Layout

__all__ = ["FreeMoves", "Moves", "OrderedMoves"]

Runs = tuple[tuple[int, int], ...]
"""Of one base row, column by column: letters taken, and the grid row they go to."""


class Moves(Protocol):
    """A neighbourhood of layouts. Both methods keep every letter placed and every key filled."""

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """All layouts one move away, in a fixed order, under the layout's own name."""

    def draw(self, layout: Layout, rng: np.random.Generator) -> Layout:
        """One of them at random; the layout itself where there is none."""


class FreeMoves:
    """Two letters of different keys change places, or a letter goes to another key.

    Parameters
    ----------
    base : gives the order in which the letters of a key are written, so that equal groupings are
        equal layouts.
    """

    def __init__(self, base: Layout) -> None:
        self._order = {letter: i for i, letter in enumerate(base.letters)}

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """Every swap, then every single move that leaves no key empty."""
        groups = self._groups(layout)
        for swap in self._swaps(groups):
            yield self._swapped(layout, groups, *swap)
        for move in self._shifts(groups):
            yield self._moved(layout, groups, *move)

    def draw(self, layout: Layout, rng: np.random.Generator) -> Layout:
        """One neighbour, each equally likely."""
        groups = self._groups(layout)
        swaps, shifts = list(self._swaps(groups)), list(self._shifts(groups))
        if not swaps and not shifts:
            return layout
        chosen = int(rng.integers(len(swaps) + len(shifts)))
        if chosen < len(swaps):
            return self._swapped(layout, groups, *swaps[chosen])
        return self._moved(layout, groups, *shifts[chosen - len(swaps)])

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

    def _swaps(self, groups: list[str]) -> Iterator[tuple[str, str]]:
        for first, second in combinations(groups, 2):
            for a in first:
                for b in second:
                    yield a, b

    def _shifts(self, groups: list[str]) -> Iterator[tuple[str, int]]:
        for i, group in enumerate(groups):
            for letter in group if len(group) > 1 else "":
                for target in range(len(groups)):
                    if target != i:
                        yield letter, target

    def _swapped(self, layout: Layout, groups: list[str], a: str, b: str) -> Layout:
        change = str.maketrans({a: b, b: a})
        return layout.with_letters(self._written(group.translate(change)) for group in groups)

    def _moved(self, layout: Layout, groups: list[str], letter: str, target: int) -> Layout:
        return layout.with_letters(
            self._written(group.replace(letter, "") + (letter if i == target else ""))
            for i, group in enumerate(groups)
        )

    def _written(self, letters: str) -> str:
        return "".join(sorted(letters, key=self._order.__getitem__))


class OrderedMoves:
    """Within a base row, a boundary between columns moves by a letter, or a run changes grid row.

    Parameters
    ----------
    base, rows, columns : as for `grid_layouts`, whose rule "ordered" says which grids there are.
    """

    def __init__(self, base: Layout, *, rows: int, columns: int) -> None:
        self._plan = plan_cells(base, rows=rows, columns=columns)

    def neighbours(self, layout: Layout) -> Iterator[Layout]:
        """Every move that leaves no cell empty."""
        for state in self._states(self._read(layout)):
            yield self._written(layout, state)

    def draw(self, layout: Layout, rng: np.random.Generator) -> Layout:
        """One neighbour, each equally likely."""
        states = list(self._states(self._read(layout)))
        return self._written(layout, states[int(rng.integers(len(states)))]) if states else layout

    def _read(self, layout: Layout) -> tuple[Runs, ...]:
        """The runs of each base row in a layout."""
        columns, rows = self._plan.columns, self._plan.rows
        keys = layout.letter_keys
        ids = tuple(f"r{r + 1}c{c + 1}" for r in range(rows) for c in range(columns))
        cell_of = {letter: cell for cell, key in enumerate(keys) for letter in key.letters}
        if tuple(key.id for key in keys) != ids or cell_of.keys() != self._plan.reach.keys():
            raise self._stranger(layout)
        read: list[Runs] = []
        for row in self._plan.base_rows:
            places = [divmod(cell_of[letter], columns) for letter in row.letters]
            runs = []
            for column in range(columns):
                taken = [r for r, c in places if c == column]
                if len(set(taken)) > 1 or not set(taken) <= set(row.grid_rows):
                    raise self._stranger(layout)
                runs.append((len(taken), taken[0] if taken else -1))
            in_order = [c for _, c in places]
            if in_order != sorted(in_order):
                raise self._stranger(layout)
            read.append(tuple(runs))
        return tuple(read)

    def _states(self, state: tuple[Runs, ...]) -> Iterator[tuple[Runs, ...]]:
        for number, row in enumerate(self._plan.base_rows):
            for runs in _changes(state[number], tuple(row.grid_rows)):
                changed = (*state[:number], runs, *state[number + 1 :])
                if self._filled(changed):
                    yield changed

    def _filled(self, state: tuple[Runs, ...]) -> bool:
        return all(
            {runs[column][1] for runs in state} - {-1} == set(range(self._plan.rows))
            for column in range(self._plan.columns)
        )

    def _written(self, layout: Layout, state: tuple[Runs, ...]) -> Layout:
        cell_of = self._plan.cells_of_runs(tuple(zip(*state, strict=True)))
        return layout.with_letters(self._plan.groups(cell_of))

    def _stranger(self, layout: Layout) -> LayoutError:
        plan = self._plan
        return LayoutError(
            f"not an ordered {plan.rows} x {plan.columns} grid over {plan.base.name}",
            where=f'layout "{layout.name}"',
            field="keys",
            fix='start from one that grid_layouts gives with rule "ordered"',
        )


def _changes(runs: Runs, grid_rows: tuple[int, ...]) -> Iterator[Runs]:
    """The runs of one base row after each single change."""
    for left in range(len(runs) - 1):
        for giver, taker in ((left, left + 1), (left + 1, left)):
            given, from_row = runs[giver]
            taken, to_row = runs[taker]
            if given:
                # A run that was empty has no grid row yet: it may take any.
                for grid_row in (to_row,) if taken else grid_rows:
                    changed = list(runs)
                    changed[giver] = (given - 1, from_row if given > 1 else -1)
                    changed[taker] = (taken + 1, grid_row)
                    yield tuple(changed)
    for column, (taken, from_row) in enumerate(runs):
        for grid_row in grid_rows if taken else ():
            if grid_row != from_row:
                yield (*runs[:column], (taken, grid_row), *runs[column + 1 :])
