"""How many grids a rule allows, in closed form, without making any."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations_with_replacement
from math import comb, factorial, prod

from nearkey.errors import LayoutError
from nearkey.layout.cells import CellPlan

_MOST_TERMS = 1_000_000


def cut_borders(plan: CellPlan) -> tuple[int, ...]:
    """The vertical borders that cut a key; border b lies between columns b and b + 1."""
    return tuple(
        border
        for border in range(plan.columns - 1)
        if any(
            border in reach and border + 1 in reach
            for row in plan.base_rows
            for reach in row.columns
        )
    )


def check_strict(plan: CellPlan) -> None:
    """Raise LayoutError where "to its left or right", "up or down" would not say where to."""
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


def piece_exists(reach: Sequence[range], column: int, left: str, right: str) -> bool:
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


def strict_count(plan: CellPlan, borders: Sequence[int], sides: Sequence[str] = ()) -> int:
    """2 to the power of (cut vertical borders + pieces of rows that a horizontal border cuts).

    Which pieces exist may hang on where the borders send their keys; the sum over those choices is
    taken from left to right, column by column (a transfer matrix), not by listing them.

    Parameters
    ----------
    borders : the cut vertical borders, as `cut_borders` gives them.
    sides : where the first of them send their keys, "L" or "R", as far as that is decided.
    """
    decided = dict(zip(borders, sides, strict=False))
    split = [row.columns for row in plan.base_rows if len(row.grid_rows) == 2]
    if not split:
        return 1 << (len(borders) - len(decided))
    ways = {"L": 1}  # by the choice at the column's left border; the outer edges cut nothing
    for column in range(plan.columns):
        options = decided.get(column, "LR" if column in borders else "L")
        ways = {
            right: sum(
                number * 2 ** sum(piece_exists(reach, column, left, right) for reach in split)
                for left, number in ways.items()
            )
            for right in options
        }
    return sum(ways.values())


@lru_cache(maxsize=65_536)
def free_count(letters: int, cells: int, unfilled: int | None = None) -> int:
    """Ways to put `letters` different letters in `cells` cells, none of `unfilled` left empty.

    With every cell to fill this is cells! S(letters, cells), S being Stirling's number of the
    second kind, by inclusion and exclusion (Graham, Knuth & Patashnik, Concrete Mathematics, 6.1).
    """
    must = cells if unfilled is None else unfilled
    return sum((-1) ** j * comb(must, j) * (cells - j) ** letters for j in range(must + 1))


def ordered_count(sizes: Sequence[int], grid_rows: Sequence[range], columns: int, rows: int) -> int:
    """Ways to cut each base row into `columns` runs, each going to a grid row, no cell empty.

    Parameters
    ----------
    sizes : letters in each base row.
    grid_rows : the grid rows each base row may go to.

    A run of letters in a column is 1 + a x/(1 - x) in a base row's generating function, a being
    the grid rows open to it; inclusion and exclusion over cells forced empty closes some of them.
    The rows hang together only where they share a grid row, so the count is a product over groups.
    Raises LayoutError when the sum would have more than a million terms.
    """
    # A base row has one run in a column, so it fills no more than one of the column's cells.
    if rows > len(sizes) or any(not any(row in span for span in grid_rows) for row in range(rows)):
        return 0
    return prod(
        _joint_count(
            tuple(sizes[i] for i in group),
            tuple((grid_rows[i].start, grid_rows[i].stop) for i in group),
            columns,
        )
        for group in _groups(grid_rows)
    )


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
