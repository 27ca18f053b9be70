"""The rules of grids, each as a tree of decisions that can be walked in order or entered anywhere.

A state is a tuple of the decisions taken so far. One tree serves listing and drawing at random, so
that a grid has the same number, and the same name, however it was reached.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import chain, combinations_with_replacement, product
from math import comb, factorial, prod
from typing import Any, Protocol

from nearkey.errors import LayoutError
from nearkey.layout.cells import CellPlan, Column

State = tuple[Any, ...]

_MOST_TERMS = 1_000_000


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
    """First each cut border sends its keys left or right, then each cut piece goes up or down.

    Raises LayoutError where "to its left or right", "up or down" would not say where to.
    """

    def __init__(self, plan: CellPlan) -> None:
        for row in plan.base_rows:
            for key, reach in zip(row.keys, row.columns, strict=True):
                if len(reach) > 2:
                    raise LayoutError(
                        f'two vertical borders cut key "{key.id}" of {plan.base.name}',
                        field="columns",
                        fix="use fewer columns, or rule loose",
                    )
            if len(row.grid_rows) > 2:
                raise LayoutError(
                    f'two horizontal borders cut the row of key "{row.keys[0].id}" of {plan.base.name}',
                    field="rows",
                    fix="use fewer rows, or rule loose",
                )
        self._plan = plan
        # The vertical borders that cut a key; border b lies between columns b and b + 1.
        reaches = [reach for row in plan.base_rows for reach in row.columns]
        self._borders = sorted({reach[0] for reach in reaches if len(reach) == 2})

    def choices(self, state: State) -> Iterator[State]:
        if len(state) < len(self._borders):
            yield from ((*state, side) for side in "LR")
        elif len(state) < len(self._borders) + len(self._pieces(state)):
            yield from ((*state, way) for way in "UD")

    def completions(self, state: State) -> int:
        """2 to the power of (cut vertical borders + pieces of rows that a horizontal border cuts) still to be decided.

        Which pieces exist may hang on where the borders send their keys; the sum over those choices is
        taken from left to right, column by column (a transfer matrix), not by listing them.
        """
        decided = self._sides(state)
        split = [row.columns for row in self._plan.base_rows if len(row.grid_rows) == 2]
        ways = {"L": 1}  # by the choice at the column's left border; the outer edges cut nothing
        for column in range(self._plan.columns):
            options = decided.get(column, "LR" if column in self._borders else "L")
            ways = {
                right: sum(
                    number * 2 ** sum(_piece_exists(reach, column, left, right) for reach in split)
                    for left, number in ways.items()
                )
                for right in options
            }
        return sum(ways.values()) >> max(len(state) - len(self._borders), 0)

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
            if _piece_exists(row.columns, column, side.get(column - 1, "L"), side.get(column, "L"))
        ]


def _piece_exists(reach: Sequence[range], column: int, left: str, right: str) -> bool:
    """Whether a base row has a key in `column`, given where both its borders send what they cut.

    Parameters
    ----------
    reach : the columns each key of the row reaches into (one or two).
    left, right : "L" or "R": the side to which the column's left and right border send keys.
    """
    return any(
        column in columns
        and (
            len(columns) == 1
            or (columns[0] == column and right == "L")
            or (columns[-1] == column and left == "R")
        )
        for columns in reach
    )


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
        return _onto(len(self._letters) - len(state), self._cells, unfilled)


@lru_cache(maxsize=65_536)
def _onto(letters: int, cells: int, unfilled: int) -> int:
    """Ways to put `letters` different letters in `cells` cells, none of `unfilled` left empty.

    With every cell to fill this is cells! S(letters, cells), S being Stirling's number of the
    second kind, by inclusion and exclusion (Graham, Knuth & Patashnik, Concrete Mathematics, 6.1).
    """
    terms = ((-1) ** j * comb(unfilled, j) * (cells - j) ** letters for j in range(unfilled + 1))
    return sum(terms)


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
        """Ways to cut what is left of each base row into runs, each going to a grid row, no cell empty.

        A run of letters in a column is 1 + a x/(1 - x) in a base row's generating function, a being
        the grid rows open to it; inclusion and exclusion over cells forced empty closes some of them.
        The rows hang together only where they share a grid row, so the count is a product over groups.
        Raises LayoutError when the sum would have more than a million terms.
        """
        columns, left = self._plan.columns - len(state), self._left(state)
        if columns == 0:
            return int(not any(left))
        # A base row has one run in a column, so it fills no more than one of the column's cells.
        rows, spans = self._plan.rows, self._spans
        if rows > len(spans) or set(range(rows)) - set(chain(*spans)):
            return 0
        return prod(
            _joint_count(
                tuple(left[i] for i in group),
                tuple((spans[i].start, spans[i].stop) for i in group),
                columns,
            )
            for group in _groups(spans)
        )

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


def _groups(spans: Sequence[range]) -> list[list[int]]:
    """Base rows that share grid rows, directly or through others."""
    groups: list[list[int]] = []
    stop = -1
    for i in sorted(range(len(spans)), key=lambda i: (spans[i].start, spans[i].stop)):
        if groups and spans[i].start < stop:
            groups[-1].append(i)
        else:
            groups.append([i])
        stop = max(stop, spans[i].stop)
    return groups


@lru_cache(maxsize=65_536)
def _joint_count(sizes: tuple[int, ...], spans: tuple[tuple[int, int], ...], columns: int) -> int:
    weights = {tuple(stop - start for start, stop in spans): 1}
    for row in range(min(s for s, _ in spans), max(e for _, e in spans)):
        shut = dict(weights)
        for opened, weight in weights.items():
            fewer = tuple(
                number - (start <= row < stop)
                for number, (start, stop) in zip(opened, spans, strict=True)
            )
            shut[fewer] = shut.get(fewer, 0) - weight
        weights = {opened: weight for opened, weight in shut.items() if weight}
    kinds = list(weights)
    terms = comb(columns + len(kinds) - 1, columns)
    if terms > _MOST_TERMS:
        raise LayoutError(
            f"the count of ordered grids is a sum of {terms:,} terms",
            field="rows, columns",
            fix="ask for fewer cells",
        )
    total = 0
    for taken in combinations_with_replacement(kinds, columns):
        orders = factorial(columns) // prod(map(factorial, Counter(taken).values()))
        runs = (
            _runs(size, opened)
            for size, opened in zip(sizes, zip(*taken, strict=True), strict=True)
        )
        total += orders * prod(weights[kind] for kind in taken) * prod(runs)
    return total


def _runs(letters: int, opened: Sequence[int]) -> int:
    """Coefficient of x^letters in the product of 1 + a x/(1 - x) over the columns, a being what `opened` says."""
    symmetric = [1]  # elementary symmetric polynomials of all a
    for a in opened:
        symmetric = [e + a * f for e, f in zip([*symmetric, 0], [0, *symmetric], strict=True)]
    if letters == 0:
        return 1
    return sum(e * comb(letters - 1, k - 1) for k, e in enumerate(symmetric) if k)


RULES: dict[str, type[Strict] | type[Loose] | type[Ordered] | type[Free]] = {
    "strict": Strict,
    "loose": Loose,
    "ordered": Ordered,
    "free": Free,
}
"""The rules by name."""
