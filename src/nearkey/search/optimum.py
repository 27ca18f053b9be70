"""The best ordered grid for a cost that adds up over groups, found exactly."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import inf, isnan, prod

from nearkey.errors import LayoutError
from nearkey.layout.cells import CellPlan, Column, plan_cells
from nearkey.layout.grid_counts import ordered_count
from nearkey.layout.layout import Layout
from nearkey.layout.rules import column_choices

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
    spans = [row.grid_rows for row in plan.base_rows]
    grid = f"{rows} x {columns} grid over {base.name}"
    if not ordered_count(sizes, spans, columns, rows):
        raise LayoutError(
            f"no ordered {grid} fills its cells", field="rows, columns", fix="ask for fewer cells"
        )
    # Letters left and letters taken, over all rows, for every column between first and last.
    steps = max(columns - 2, 1) * prod(
        (n + 1) * (n + 2) // 2 * len(span) for n, span in zip(sizes, spans, strict=True)
    )
    if steps > _MOST_STEPS:
        raise LayoutError(
            f"an exact optimum would take {steps:,} steps", field="base", fix="anneal instead"
        )
    table = _Table(plan, cost)
    total = table.least(columns, sizes)
    if total == inf:
        raise LayoutError(f"every {grid} is forbidden", field="cost", fix="forbid fewer groups")
    layout = plan.layout(
        plan.cells_of_runs(tuple(table.columns(columns, sizes))),
        name=f"{base.name}-{rows}x{columns}-best",
        note=f"Ordered {grid} of least cost.",
    )
    return OrderedOptimum(layout, total, len(table.known))


class _Table:
    """The cheapest way to fill the last columns, for each number of letters left in the rows."""

    def __init__(self, plan: CellPlan, cost: Callable[[str], float]) -> None:
        self._plan = plan
        self._cost = cost
        self._order = {letter: i for i, letter in enumerate(plan.reach)}
        self._best: dict[tuple[int, tuple[int, ...]], tuple[float, Column | None]] = {}
        self.known: dict[str, float] = {}

    def least(self, columns: int, left: tuple[int, ...]) -> float:
        """The least cost of the last `columns` columns; infinite where they cannot be filled."""
        if columns == 0:
            return 0.0
        if (columns, left) not in self._best:
            least, choice = inf, None
            for column in column_choices(self._plan, left, columns):
                total = self.least(columns - 1, _rest(left, column))
                if total < inf:
                    total += sum(self._group_cost(group) for group in self._groups(left, column))
                if total < least:
                    least, choice = total, column
            self._best[columns, left] = (least, choice)
        return self._best[columns, left][0]

    def columns(self, columns: int, left: tuple[int, ...]) -> Iterator[Column]:
        """The columns of the grid that has the least cost."""
        while columns:
            column = self._best[columns, left][1]
            assert column is not None  # the least cost is finite
            yield column
            columns, left = columns - 1, _rest(left, column)

    def _groups(self, left: tuple[int, ...], column: Column) -> list[str]:
        groups: list[list[str]] = [[] for _ in range(self._plan.rows)]
        for row, number, (taken, grid_row) in zip(self._plan.base_rows, left, column, strict=True):
            start = len(row.letters) - number
            groups[grid_row] += row.letters[start : start + taken]
        return ["".join(sorted(group, key=self._order.__getitem__)) for group in groups]

    def _group_cost(self, letters: str) -> float:
        if letters not in self.known:
            value = float(self._cost(letters))
            if isnan(value) or value == -inf:
                raise LayoutError(
                    f"the cost of {letters!r} is {value}", field="cost", fix="return a number"
                )
            self.known[letters] = value
        return self.known[letters]


def _rest(left: tuple[int, ...], column: Column) -> tuple[int, ...]:
    return tuple(number - taken for number, (taken, _) in zip(left, column, strict=True))
