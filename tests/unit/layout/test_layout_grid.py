"""Grids: counts, names, and every rule against a plain search through all assignments."""

from __future__ import annotations

from itertools import islice, pairwise, product

import pytest

from nearkey.errors import LayoutError
from nearkey.layout import MOST_UNASKED, Key, Layout, count_grids, grid_layouts

RULES = ("strict", "loose", "ordered", "free")


def rows_of(*rows: tuple[float, str]) -> Layout:
    """A base with unit keys: for each row its offset and its letters."""
    keys = [
        Key(letter, letter, offset + i, r, 1, 1, letter)
        for r, (offset, letters) in enumerate(rows)
        for i, letter in enumerate(letters)
    ]
    width = max(key.x + 1 for key in keys)
    return Layout("base", 1, width, len(rows), tuple(keys), alphabet="".join(k.id for k in keys))


def groups(layout: Layout) -> tuple[tuple[str, str], ...]:
    return tuple((key.id, key.letters) for key in layout.keys)


def overlaps(low: float, high: float, cells: int, extent: float) -> list[int]:
    """Cells along an axis that share more than a point with a span."""
    size = extent / cells
    return [
        i for i in range(cells) if min(high, (i + 1) * size) - max(low, i * size) > 1e-9 * extent
    ]


def allowed(rule: str, base: Layout, rows: int, columns: int, cells: tuple[int, ...]) -> bool:
    """Whether a rule lets the letters of `base` stand in these cells, read off its wording."""
    left = min(key.x for key in base.keys)
    width = max(key.x + key.w for key in base.keys) - left
    height = base.height
    place = {key.id: divmod(cell, columns) for key, cell in zip(base.keys, cells, strict=True)}
    across = {k.id: overlaps(k.x - left, k.x + k.w - left, columns, width) for k in base.keys}
    down = {k.id: overlaps(k.y, k.y + k.h, rows, height) for k in base.keys}
    base_rows = [[k.id for k in base.keys if k.y == y] for y in sorted({k.y for k in base.keys})]
    if rule == "free":
        return len(set(cells)) == rows * columns
    if any(place[k][0] not in down[k] for k in place):
        return False
    for row in base_rows:  # a row's part in one column stays together, whichever way it goes
        for column in range(columns):
            if rule != "loose" and len({place[k][0] for k in row if place[k][1] == column}) > 1:
                return False
    if rule == "ordered":
        in_order = all(place[a][1] <= place[b][1] for row in base_rows for a, b in pairwise(row))
        return in_order and len(set(cells)) == rows * columns
    if any(place[k][1] not in across[k] for k in place):
        return False
    if rule == "strict":
        for border in range(columns - 1):
            cut = [k for k in place if {border, border + 1} <= set(across[k])]
            if len({place[k][1] for k in cut}) > 1:
                return False
    return True


def cut_twice(base: Layout, rows: int, columns: int) -> bool:
    left = min(key.x for key in base.keys)
    width = max(key.x + key.w for key in base.keys) - left
    return any(
        len(overlaps(key.x - left, key.x + key.w - left, columns, width)) > 2
        or len(overlaps(key.y, key.y + key.h, rows, base.height)) > 2
        for key in base.keys
    )


def by_force(rule: str, base: Layout, rows: int, columns: int) -> set[tuple[tuple[str, str], ...]]:
    found = set()
    for cells in product(range(rows * columns), repeat=len(base.keys)):
        if allowed(rule, base, rows, columns, cells):
            letters = [""] * (rows * columns)
            for key, cell in zip(base.keys, cells, strict=True):
                letters[cell] += key.id
            ids = [f"r{c // columns + 1}c{c % columns + 1}" for c in range(rows * columns)]
            found.add(tuple((i, text) for i, text in zip(ids, letters, strict=True) if text))
    return found


BASES = [
    rows_of((0, "abc"), (0.5, "de")),
    rows_of((0, "ab"), (0.25, "cd"), (0.75, "e")),
    rows_of((0, "abcd"), (0.5, "ef")),
    rows_of((0, "ab"), (0, "cd"), (0, "ef")),
    rows_of((0.5, "a"), (0, "bc"), (1, "d")),
    rows_of((0, "abcdef")),
]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("base", BASES, ids=lambda base: base.letters)
@pytest.mark.parametrize("shape", [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (3, 1), (3, 2), (2, 3)])
def test_rules_against_all_assignments(rule: str, base: Layout, shape: tuple[int, int]) -> None:
    rows, columns = shape
    expected = by_force(rule, base, rows, columns)
    asked = {"rows": rows, "columns": columns, "rule": rule}
    if rule == "strict" and cut_twice(base, rows, columns):
        with pytest.raises(LayoutError, match=r"two (vertical|horizontal) borders cut"):
            count_grids(base, **asked)  # type: ignore[arg-type]
        return
    assert count_grids(base, **asked) == len(expected)  # type: ignore[arg-type]
    if expected:
        listed = [groups(layout) for layout in grid_layouts(base, **asked)]  # type: ignore[arg-type]
        assert len(listed) == len(expected)
        assert set(listed) == expected
    else:
        with pytest.raises(LayoutError, match="fills its cells"):
            grid_layouts(base, **asked)  # type: ignore[arg-type]


@pytest.mark.parametrize("rule", RULES)
def test_names_are_the_same_listed_or_drawn(rule: str) -> None:
    base = BASES[2]
    listed = {g.name: g for g in grid_layouts(base, rows=2, columns=2, rule=rule)}
    assert len(listed) == count_grids(base, rows=2, columns=2, rule=rule)
    few = min(7, len(listed))
    drawn = list(grid_layouts(base, rows=2, columns=2, rule=rule, limit=few, seed=3))
    again = list(grid_layouts(base, rows=2, columns=2, rule=rule, limit=few, seed=3))
    assert drawn == again
    assert len({grid.name for grid in drawn}) == few
    assert all(listed[grid.name] == grid for grid in drawn)
    everything = grid_layouts(base, rows=2, columns=2, rule=rule, limit=10_000, seed=1)
    assert {grid.name for grid in everything} == set(listed)


def test_drawing_is_uniform_over_a_huge_rule() -> None:
    # 26 letters in 6 cells: by symmetry each cell holds a letter with probability 1/6.
    base = Layout.named("qwerty")
    drawn = grid_layouts(base, rows=2, columns=3, rule="free", limit=600, seed=11)
    where = [grid.keys[grid.key_of_letter["q"]].id for grid in drawn]
    counts = [where.count(cell) for cell in set(where)]
    assert len(counts) == 6
    # Chi-square with 5 degrees of freedom stays below 20.5 with probability 0.999.
    assert sum((n - 100) ** 2 / 100 for n in counts) < 20.5


def test_a_grid_over_qwerty() -> None:
    base = Layout.named("qwerty")
    first, second = islice(grid_layouts(base, rows=3, columns=2), 2)
    assert [key.letters for key in first.keys] == ["qwert", "yuiop", "asdfg", "hjkl", "zxcv", "bnm"]
    assert [key.letters for key in second.keys] == [
        "qwert",
        "yuiop",
        "asdf",
        "ghjkl",
        "zxc",
        "vbnm",
    ]
    assert [key.label for key in first.keys][:2] == ["QWERT", "YUIOP"]
    assert first.key_ids == ("r1c1", "r1c2", "r2c1", "r2c2", "r3c1", "r3c2")
    assert (first.name, second.name) == ("qwerty-3x2-s01", "qwerty-3x2-s02")
    assert (first.unit_mm, first.width, first.height) == (6, 10, 3)
    assert (first.keys[3].x, first.keys[3].y, first.keys[3].w, first.keys[3].h) == (5, 1, 5, 1)
    assert first.alphabet == base.alphabet


def test_fitted_to_one_surface() -> None:
    for grid in grid_layouts(Layout.named("e161"), rows=2, columns=3, width_mm=20, height_mm=8):
        assert (grid.unit_mm, grid.width, grid.height) == (1, 20, 8)
        assert set(grid.letters) == set("abcdefghijklmnopqrstuvwxyz")


def test_an_empty_cell_is_no_key_under_strict() -> None:
    base = Layout.named("qwerty")
    grids = list(grid_layouts(base, rows=3, columns=5))
    assert len(grids) == count_grids(base, rows=3, columns=5) == 16
    assert {len(grid.keys) for grid in grids} == {13, 14, 15}


def test_strict_is_part_of_loose() -> None:
    base = Layout.named("qwerty")
    for shape in ((1, 5), (3, 2)):
        strict = {groups(g) for g in grid_layouts(base, rows=shape[0], columns=shape[1])}
        loose = {
            groups(g) for g in grid_layouts(base, rows=shape[0], columns=shape[1], rule="loose")
        }
        assert strict < loose


def test_a_base_of_any_scale_and_place_gives_the_same_grids() -> None:
    base = Layout.named("qwerty")
    other = base.fitted(7.3, 1.9)
    for rows, columns in ((1, 5), (2, 3), (3, 2)):
        plain = [groups(grid) for grid in grid_layouts(base, rows=rows, columns=columns)]
        fitted = [groups(grid) for grid in grid_layouts(other, rows=rows, columns=columns)]
        assert plain == fitted


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"rows": 0}, "rows"),
        ({"rows": 1.5}, "rows"),
        ({"columns": True}, "columns"),
        ({"columns": 11}, "columns"),
        ({"rows": 7}, "rows"),
        ({"rule": "wild"}, "rule"),
        ({"rule": "free"}, "rule"),
        ({"rows": 6, "columns": 5, "rule": "free"}, "rows, columns"),
        ({"rows": 4, "columns": 5, "rule": "ordered"}, "rows, columns"),
        ({"width_mm": 3}, "width_mm, height_mm"),
        ({"width_mm": 3, "height_mm": 0}, "height_mm"),
        ({"limit": 0}, "limit"),
        ({"seed": 1}, "seed"),
    ],
)
def test_refuses_at_once(options: dict[str, object], field: str) -> None:
    with pytest.raises(LayoutError) as caught:
        grid_layouts(Layout.named("qwerty"), **({"rows": 2, "columns": 3} | options))  # type: ignore[arg-type]
    assert caught.value.field == field
    assert caught.value.fix


def test_too_many_are_given_lazily_when_a_limit_is_named() -> None:
    base = Layout.named("qwerty")
    for rule in ("ordered", "free"):
        assert count_grids(base, rows=2, columns=3, rule=rule) > MOST_UNASKED
        some = list(grid_layouts(base, rows=2, columns=3, rule=rule, limit=5))
        assert len({groups(grid) for grid in some}) == 5
        assert all(len(grid.keys) == 6 and len(grid.letters) == 26 for grid in some)


def test_a_count_too_long_to_sum_is_refused_at_once() -> None:
    tall = rows_of(*((0, "".join(chr(0x4E00 + 12 * r + i) for i in range(12))) for r in range(7)))
    with pytest.raises(LayoutError, match="terms; ask for fewer cells"):
        count_grids(tall, rows=6, columns=10, rule="ordered")
