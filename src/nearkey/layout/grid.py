"""Grids over a base arrangement: counting, listing and drawing them at random."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import numpy as np

from nearkey.errors import LayoutError
from nearkey.layout.cells import plan_cells
from nearkey.layout.layout import Layout
from nearkey.layout.rules import RULES, Rule, nth, walk
from nearkey.seeds import Seed

Size = tuple[float, float]

MOST_UNASKED = 100_000
"""`grid_layouts` lists no more grids than this unless a limit is given."""


def count_grids(base: Layout, *, rows: int, columns: int, rule: str = "strict") -> int:
    """The exact number of grids that `grid_layouts` would give, in closed form.

    Parameters
    ----------
    base, rows, columns, rule : as for `grid_layouts`.

    Raises
    ------
    LayoutError
        For an unknown rule, or a grid the rule cannot be applied to.
    """
    return _tree(base, rows, columns, rule).completions(())


def grid_layouts(
    base: Layout,
    *,
    rows: int,
    columns: int,
    rule: str = "strict",
    width_mm: float | None = None,
    height_mm: float | None = None,
    limit: int | None = None,
    seed: Seed | None = None,
) -> Iterator[Layout]:
    """Grids of `rows` x `columns` cells over the letters of a base arrangement, one by one.

    The borders of the cells are straight and equally spaced over the extent of the base's letters.

    Parameters
    ----------
    base : the arrangement; only its keys of role letters count.
    rows, columns : cells down and across.
    rule : which letters may go where.
        "strict": all keys that a vertical border cuts go together to its left or to its right; the
        part of a base row that a horizontal border cuts goes, column by column, up or down.
        "loose": every letter of a cut key chooses for itself among the cells the key reaches into.
        "ordered": only the reading order within base rows is kept: each row is cut anywhere into
        runs, one a column, and a run goes to one of the grid rows its base row reaches into.
        "free": any letter anywhere.
        Under "strict" and "loose" a cell may stay empty and is then no key; "ordered" and "free"
        fill every cell.
    width_mm, height_mm : fit each grid to a surface of this size (both or neither); else it has the
        base's units and extent.
    limit : give no more than this many; needed past `MOST_UNASKED`.
    seed : with `limit`, draw that many different grids, each as likely as any other.

    Yields
    ------
    Layout
        With a key "r1c2" a cell, its letters in the base's order. The name numbers the grid in the
        rule's order ("qwerty-2x3-s07"), the same whether listed or drawn.

    Raises
    ------
    LayoutError
        At once, for arguments that do not fit together or a rule that would give too many.
    """
    tree = _tree(base, rows, columns, rule)
    size = _size(base, width_mm, height_mm)
    count = tree.completions(())
    grid = f"{rows} x {columns} grid over {base.name}"
    if not count:
        raise LayoutError(
            f"no {grid} fills its cells", field="rows, columns", fix="ask for fewer cells"
        )
    if limit is not None and limit < 1:
        raise LayoutError(f"limit is {limit}", field="limit", fix="give 1 or more")
    if limit is None and seed is not None:
        raise LayoutError("a seed without a limit", field="seed", fix="say how many to draw")
    if limit is None and count > MOST_UNASKED:
        raise LayoutError(
            f"rule {rule} allows {count:,} grids of {rows} x {columns}",
            field="rule",
            fix="give a limit (and a seed, to draw at random), or search instead",
        )
    plan = plan_cells(base, rows=rows, columns=columns)
    numbered: Iterator[tuple[int, dict[str, int]]] = islice(enumerate(walk(tree)), limit)
    if seed is not None and limit is not None:
        numbered = ((number, nth(tree, number)) for number in _drawn(count, limit, seed))
    digits = max(2, len(str(count)))

    def made(number: int, cell_of: dict[str, int]) -> Layout:
        layout = plan.layout(
            cell_of,
            name=f"{base.name}-{rows}x{columns}-{rule[0]}{number + 1:0{digits}d}",
            note=f"Grid {number + 1} of {count} over {base.name}, rule {rule}.",
        )
        return layout.fitted(*size) if size else layout

    return (made(number, cell_of) for number, cell_of in numbered)


def _drawn(count: int, limit: int, seed: Seed) -> Iterator[int]:
    """`limit` different numbers below `count`, all sets equally likely."""
    rng = np.random.default_rng(seed)
    if count <= 4 * limit:
        yield from (int(number) for number in rng.permutation(count)[:limit])
        return
    seen: set[int] = set()
    bits = count.bit_length()
    while len(seen) < limit:
        # Counts pass 64 bits, so draw bytes and reject what is too large.
        number = int.from_bytes(rng.bytes((bits + 7) // 8), "little") & ((1 << bits) - 1)
        if number < count and number not in seen:
            seen.add(number)
            yield number


def _tree(base: Layout, rows: int, columns: int, rule: str) -> Rule:
    if rule not in RULES:
        raise LayoutError(f"no rule {rule!r}", field="rule", fix=f"use one of {', '.join(RULES)}")
    return RULES[rule](plan_cells(base, rows=rows, columns=columns))


def _size(base: Layout, width_mm: float | None, height_mm: float | None) -> Size | None:
    """The surface asked for, checked; None for the base's own."""
    if width_mm is None and height_mm is None:
        return None
    if width_mm is None or height_mm is None:
        raise LayoutError(
            "only one side of the surface", field="width_mm, height_mm", fix="give both or neither"
        )
    base.fitted(width_mm, height_mm)  # refuses what is no size
    return (width_mm, height_mm)
