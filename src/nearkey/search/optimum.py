"""The best ordered grid for a cost that adds up over groups, found exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from math import inf, isnan, prod

from nearkey.errors import LayoutError
from nearkey.layout.cells import Column, plan_cells
from nearkey.layout.layout import Layout
from nearkey.layout.rules import Ordered, column_choices

_MOST_STEPS = 20_000_000


@dataclass(frozen=True, slots=True)
class OrderedOptimum:
    """The layout of least cost, its cost, and the number of different groups that were costed."""

    layout: Layout
    cost: float
    groups_costed: int


def best_ordered(
    base: Layout, *, rows: int, columns: int, cost: Callable[[str], float]
) -> OrderedOptimum:
    """The grid of rule "ordered" whose groups' costs have the least sum.

    Dynamic programming from the last column to the first: what is left of each base row is all
    that the later columns need to know (Bellman's principle of optimality). Of equally good grids
    the first in the order of `grid_layouts` wins.

    Parameters
    ----------
    base, rows, columns : as for `grid_layouts`.
    cost : cost of one key, from its letters in the base's order; infinity forbids a group.

    Raises
    ------
    LayoutError
        When no grid fills its cells, every grid is forbidden, a cost is not a number, or the base
        is too large for an exact answer.
    """
    plan = plan_cells(base, rows=rows, columns=columns)
    sizes = tuple(len(row.letters) for row in plan.base_rows)
    grid = f"{rows} x {columns} grid over {base.name}"
    if not Ordered(plan).completions(()):
        raise LayoutError(
            f"no ordered {grid} fills its cells", field="rows, columns", fix="ask for fewer cells"
        )
    # Letters left and letters taken, over all rows, for every column between first and last.
    steps = max(columns - 2, 1) * prod(
        (n + 1) * (n + 2) // 2 * len(row.grid_rows)
        for n, row in zip(sizes, plan.base_rows, strict=True)
    )
    if steps > _MOST_STEPS:
        raise LayoutError(
            f"an exact optimum would take {steps:,} steps", field="base", fix="anneal instead"
        )
    place = {letter: i for i, letter in enumerate(plan.reach)}

    @cache
    def group_cost(letters: str) -> float:
        value = float(cost(letters))
        if isnan(value) or value == -inf:
            raise LayoutError(
                f"the cost of {letters!r} is {value}", field="cost", fix="return a number"
            )
        return value

    def costs(left: tuple[int, ...], column: Column) -> Iterator[float]:
        """The costs of a column's groups, where so many letters of each base row are left."""
        groups: list[list[str]] = [[] for _ in range(rows)]
        for row, number, (taken, grid_row) in zip(plan.base_rows, left, column, strict=True):
            start = len(row.letters) - number
            groups[grid_row] += row.letters[start : start + taken]
        return (group_cost("".join(sorted(group, key=place.__getitem__))) for group in groups)

    @cache
    def best(last: int, left: tuple[int, ...]) -> tuple[float, tuple[Column, ...]]:
        """The cheapest way to fill the last columns, infinite where they cannot be, for each number of letters left."""
        if last == 0:
            return 0.0, ()
        least = inf
        chosen: tuple[Column, ...] = ()
        for column in column_choices(plan, left, last):
            rest = tuple(number - taken for number, (taken, _) in zip(left, column, strict=True))
            total, further = best(last - 1, rest)
            if total < inf:
                total += sum(costs(left, column))
            if total < least:
                least, chosen = total, (column, *further)
        return least, chosen

    total, taken = best(columns, sizes)
    if total == inf:
        raise LayoutError(f"every {grid} is forbidden", field="cost", fix="forbid fewer groups")
    layout = plan.layout(
        plan.cells_of_runs(taken),
        name=f"{base.name}-{rows}x{columns}-best",
        note=f"Ordered {grid} of least cost.",
    )
    return OrderedOptimum(layout, total, group_cost.cache_info().currsize)
