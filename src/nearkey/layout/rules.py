"""The rules of grids, each as a tree of decisions that can be walked in order or entered anywhere.

A state is a tuple of the decisions taken so far. One tree serves listing and drawing at random, so
that a grid has the same number, and the same name, however it was reached.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from math import prod
from typing import Any, Protocol

from nearkey.layout.cells import CellPlan, Column
from nearkey.layout.grid_counts import (
    check_strict,
    cut_borders,
    free_count,
    ordered_count,
    piece_exists,
    strict_count,
)

State = tuple[Any, ...]


class Rule(Protocol):
    """A tree of decisions whose leaves are the grids."""

    def choices(self, state: State) -> Iterator[State]:
        """The states one decision further on, in order; none at a leaf."""

    def completions(self, state: State) -> int:
        """The number of leaves below a state, in closed form; 1 for a leaf."""

    def cells(self, state: State) -> dict[str, int]:
        """The cell of every letter, at a leaf."""


def walk(rule: Rule, state: State = ()) -> Iterator[dict[str, int]]:
    """Every grid of a rule, in order."""
    leaf = True
    for further in rule.choices(state):
        leaf = False
        if rule.completions(further):
            yield from walk(rule, further)
    if leaf:
        yield rule.cells(state)


def nth(rule: Rule, number: int) -> dict[str, int]:
    """The grid that `walk` gives after `number` others, without walking."""
    state: State = ()
    while True:
        leaf = True
        for further in rule.choices(state):
            leaf = False
            below = rule.completions(further)
            if number < below:
                state = further
                break
            number -= below
        if leaf:
            return rule.cells(state)


class Strict:
    """First each cut border sends its keys left or right, then each cut piece goes up or down."""

    def __init__(self, plan: CellPlan) -> None:
        check_strict(plan)
        self._plan = plan
        self._borders = cut_borders(plan)

    def choices(self, state: State) -> Iterator[State]:
        if len(state) < len(self._borders):
            yield from ((*state, side) for side in "LR")
        elif len(state) < len(self._borders) + len(self._pieces(state)):
            yield from ((*state, way) for way in "UD")

    def completions(self, state: State) -> int:
        ways_chosen = max(len(state) - len(self._borders), 0)
        return strict_count(self._plan, self._borders, state) >> ways_chosen

    def cells(self, state: State) -> dict[str, int]:
        columns = self._plan.columns
        side = self._sides(state)
        goes_up = {
            piece: way == "U"
            for piece, way in zip(self._pieces(state), state[len(self._borders) :], strict=True)
        }
        cell_of: dict[str, int] = {}
        for number, row in enumerate(self._plan.base_rows):
            for key, reach in zip(row.keys, row.columns, strict=True):
                column = reach[0] if side.get(reach[0], "L") == "L" else reach[-1]
                up = goes_up.get((number, column), True)
                grid_row = row.grid_rows[0] if up else row.grid_rows[-1]
                cell_of |= dict.fromkeys(key.letters, grid_row * columns + column)
        return cell_of

    def _sides(self, state: State) -> dict[int, str]:
        return dict(zip(self._borders, state, strict=False))

    def _pieces(self, state: State) -> list[tuple[int, int]]:
        """The pieces (base row, column) that a horizontal border cuts."""
        side = self._sides(state)
        return [
            (number, column)
            for number, row in enumerate(self._plan.base_rows)
            if len(row.grid_rows) == 2
            for column in range(self._plan.columns)
            if piece_exists(row.columns, column, side.get(column - 1, "L"), side.get(column, "L"))
        ]


class _ByLetter:
    """Letter by letter, in the base's order, each goes to one of the cells open to it."""

    def __init__(self, plan: CellPlan, cells: Iterable[Sequence[int]]) -> None:
        self._letters = tuple(plan.reach)
        self._open = tuple(cells)

    def choices(self, state: State) -> Iterator[State]:
        if len(state) < len(self._letters):
            yield from ((*state, cell) for cell in self._open[len(state)])

    def cells(self, state: State) -> dict[str, int]:
        return dict(zip(self._letters, state, strict=True))


class Loose(_ByLetter):
    """Letter by letter: each goes to one of the cells its key reaches into."""

    def __init__(self, plan: CellPlan) -> None:
        super().__init__(plan, plan.reach.values())

    def completions(self, state: State) -> int:
        return prod(len(cells) for cells in self._open[len(state) :])


class Free(_ByLetter):
    """Letter by letter: each goes to any cell, so long as none is left empty at the end."""

    def __init__(self, plan: CellPlan) -> None:
        self._cells = plan.rows * plan.columns
        super().__init__(plan, [range(self._cells)] * len(plan.reach))

    def completions(self, state: State) -> int:
        unfilled = self._cells - len(set(state))
        return free_count(len(self._letters) - len(state), self._cells, unfilled)


class Ordered:
    """Column by column: how many letters of each base row it takes, and to which grid row."""

    def __init__(self, plan: CellPlan) -> None:
        self._plan = plan
        self._sizes = tuple(len(row.letters) for row in plan.base_rows)
        self._spans = tuple(row.grid_rows for row in plan.base_rows)

    def choices(self, state: State) -> Iterator[State]:
        columns = self._plan.columns - len(state)
        if columns:
            left = self._left(state)
            yield from ((*state, column) for column in column_choices(self._plan, left, columns))

    def completions(self, state: State) -> int:
        columns, left = self._plan.columns - len(state), self._left(state)
        if columns == 0:
            return int(not any(left))
        return ordered_count(left, self._spans, columns, self._plan.rows)

    def cells(self, state: State) -> dict[str, int]:
        return self._plan.cells_of_runs(state)

    def _left(self, state: State) -> tuple[int, ...]:
        return tuple(
            size - sum(column[number][0] for column in state)
            for number, size in enumerate(self._sizes)
        )


def column_choices(plan: CellPlan, left: Sequence[int], columns: int) -> Iterator[Column]:
    """What the first of `columns` columns may take when `left` letters of each base row remain."""
    runs = [
        [
            (taken, grid_row)
            for taken in range(0 if columns > 1 else number, number + 1)
            for grid_row in (row.grid_rows if taken else (-1,))
        ]
        for row, number in zip(plan.base_rows, left, strict=True)
    ]
    every = set(range(plan.rows))
    for column in product(*runs):
        if {grid_row for taken, grid_row in column if taken} == every:
            yield column


RULES: dict[str, type[Strict] | type[Loose] | type[Ordered] | type[Free]] = {
    "strict": Strict,
    "loose": Loose,
    "ordered": Ordered,
    "free": Free,
}
"""The rules by name."""
