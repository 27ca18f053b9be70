"""Small changes to a grid: what a local search may do to a layout in one step."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, product
from typing import Any, Protocol

import numpy as np

from nearkey.errors import LayoutError
from nearkey.layout.cells import plan_cells
from nearkey.layout.layout import Layout
from nearkey.seeds import Seed

Runs = tuple[tuple[int, int], ...]
"""Of one base row, column by column: letters taken, and the grid row they go to."""


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
        self._plan = plan_cells(base, rows=rows, columns=columns)

    def _changes(self, layout: Layout) -> Iterator[tuple[Runs, ...]]:
        """The runs of all base rows after each change that leaves no cell empty."""
        state = self._read(layout)
        for number, row in enumerate(self._plan.base_rows):
            for runs in _moved_runs(state[number], tuple(row.grid_rows)):
                changed = (*state[:number], runs, *state[number + 1 :])
                if self._filled(changed):
                    yield changed

    def _changed(self, layout: Layout, change: tuple[Runs, ...]) -> Layout:
        cell_of = self._plan.cells_of_runs(tuple(zip(*change, strict=True)))
        return layout.with_letters(self._plan.groups(cell_of))

    def _read(self, layout: Layout) -> tuple[Runs, ...]:
        """The runs of each base row in a layout."""
        columns, rows = self._plan.columns, self._plan.rows
        keys = layout.letter_keys
        ids = tuple(f"r{r + 1}c{c + 1}" for r in range(rows) for c in range(columns))
        cell_of = {letter: cell for cell, key in enumerate(keys) for letter in key.letters}
        if tuple(key.id for key in keys) != ids or cell_of.keys() != self._plan.reach.keys():
            raise self._not_ordered(layout)
        read: list[Runs] = []
        for row in self._plan.base_rows:
            places = [divmod(cell_of[letter], columns) for letter in row.letters]
            runs = []
            for column in range(columns):
                taken = [r for r, c in places if c == column]
                if len(set(taken)) > 1 or not set(taken) <= set(row.grid_rows):
                    raise self._not_ordered(layout)
                runs.append((len(taken), taken[0] if taken else -1))
            in_order = [c for _, c in places]
            if in_order != sorted(in_order):
                raise self._not_ordered(layout)
            read.append(tuple(runs))
        return tuple(read)

    def _filled(self, state: tuple[Runs, ...]) -> bool:
        return all(
            {runs[column][1] for runs in state} - {-1} == set(range(self._plan.rows))
            for column in range(self._plan.columns)
        )

    def _not_ordered(self, layout: Layout) -> LayoutError:
        plan = self._plan
        return LayoutError(
            f"not an ordered {plan.rows} x {plan.columns} grid over {plan.base.name}",
            where=f'layout "{layout.name}"',
            field="keys",
            fix='start from one that grid_layouts gives with rule "ordered"',
        )


def _moved_runs(runs: Runs, grid_rows: tuple[int, ...]) -> Iterator[Runs]:
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
