"""Where the borders of a grid fall on a base arrangement: which cells each key reaches into."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from nearkey.bounds import whole_number
from nearkey.errors import LayoutError
from nearkey.layout.key import Key, default_label, letter_extent
from nearkey.layout.layout import Layout

Column = tuple[tuple[int, int], ...]
"""Of each base row, how many letters a column takes, and the grid row they go to (-1: none)."""

MOST_CELLS = 100
"""Rows, and columns, of a grid: more than any arrangement has keys across."""

# A key whose edge lies on a border is not cut by it: slack for round-off, as a share of its side.
_SLACK = 1e-6


@dataclass(frozen=True, slots=True)
class BaseRow:
    """A row of the base arrangement, read from left to right.

    Parameters
    ----------
    keys : its keys of role letters.
    columns : for each key, the grid columns it reaches into.
    grid_rows : the grid rows the whole base row reaches into.
    """

    keys: tuple[Key, ...]
    columns: tuple[range, ...]
    grid_rows: range

    @property
    def letters(self) -> str:
        """Its letters, in reading order."""
        return "".join(key.letters for key in self.keys)


@dataclass(frozen=True, slots=True)
class CellPlan:
    """A grid of `rows` x `columns` laid over a base arrangement. Cells count row by row from 0."""

    base: Layout
    rows: int
    columns: int
    base_rows: tuple[BaseRow, ...]
    reach: dict[str, tuple[int, ...]]
    """For each letter of the base, in its order, the cells that its key reaches into."""

    def groups(self, cell_of: Mapping[str, int]) -> list[str]:
        """The letters of each cell, in the base's order."""
        groups = [""] * (self.rows * self.columns)
        for letter in self.reach:
            groups[cell_of[letter]] += letter
        return groups

    def cells_of_runs(self, taken: Sequence[Column]) -> dict[str, int]:
        """The cell of every letter when each column takes these runs of the base rows."""
        cell_of: dict[str, int] = {}
        for number, row in enumerate(self.base_rows):
            start = 0
            for column, runs in enumerate(taken):
                letters, grid_row = runs[number]
                cell = grid_row * self.columns + column
                cell_of |= dict.fromkeys(row.letters[start : start + letters], cell)
                start += letters
        return cell_of

    def layout(self, cell_of: Mapping[str, int], name: str, note: str = "") -> Layout:
        """The grid layout that puts each letter in its cell; an empty cell becomes no key."""
        left, top, right, bottom = letter_extent(self.base.letter_keys)
        w, h = (right - left) / self.columns, (bottom - top) / self.rows
        keys = []
        for cell, letters in enumerate(self.groups(cell_of)):
            r, c = divmod(cell, self.columns)
            if letters:
                key_id = f"r{r + 1}c{c + 1}"
                label = default_label(key_id, letters, self.base.language)
                keys.append(Key(key_id, label, x=c * w, y=r * h, w=w, h=h, letters=letters))
        width, height = right - left, bottom - top
        return replace(
            self.base, name=name, width=width, height=height, keys=tuple(keys), note=note
        )


def base_rows(layout: Layout) -> tuple[tuple[Key, ...], ...]:
    """The keys of role letters in rows from the top, each read from the left.

    Keys belong to one row when their centres differ in height by less than half the lower one.
    """
    rows: list[list[Key]] = []
    for key in sorted(layout.letter_keys, key=lambda key: (key.cy, key.cx)):
        if rows and key.cy - rows[-1][0].cy < min(key.h, rows[-1][0].h) / 2:
            rows[-1].append(key)
        else:
            rows.append([key])
    return tuple(tuple(sorted(row, key=lambda key: key.cx)) for row in rows)


def plan_cells(base: Layout, *, rows: int, columns: int) -> CellPlan:
    """Lay a grid with straight, equally spaced borders over the extent of the base's letters."""
    for field, value in (("rows", rows), ("columns", columns)):
        whole_number(value, low=1, high=MOST_CELLS, error=LayoutError, field=field)
    left, top, right, bottom = letter_extent(base.letter_keys)
    w, h = (right - left) / columns, (bottom - top) / rows
    planned = []
    cells_of: dict[str, tuple[int, ...]] = {}
    for row in base_rows(base):
        upper, lower = min(key.y for key in row), max(key.y + key.h for key in row)
        across = tuple(_reach(key.x - left, key.w, w, columns) for key in row)
        planned.append(BaseRow(row, across, _reach(upper - top, lower - upper, h, rows)))
        for key, reached in zip(row, across, strict=True):
            down = _reach(key.y - top, key.h, h, rows)
            cells = tuple(r * columns + c for r in down for c in reached)
            cells_of |= dict.fromkeys(key.letters, cells)
    return CellPlan(
        base=base,
        rows=rows,
        columns=columns,
        base_rows=tuple(planned),
        reach={letter: cells_of[letter] for letter in base.letters},
    )


def _reach(start: float, size: float, cell: float, count: int) -> range:
    """The cells along one axis that a span lies in, edges on a border not counting."""
    slack = _SLACK * size
    first = min(max(math.floor((start + slack) / cell), 0), count - 1)
    last = min(max(math.ceil((start + size - slack) / cell) - 1, first), count - 1)
    return range(first, last + 1)
