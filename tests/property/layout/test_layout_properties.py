"""What holds for every layout, and for every spec however bad."""

from __future__ import annotations

import copy
import tempfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from nearkey.errors import LayoutError
from nearkey.layout import ROLES, Key, Layout, count_grids, grid_layouts
from nearkey.search import pareto_front

ALPHABETS = (
    "abcdefghijklmnopqrstuvwxyz",
    "abcdefghijklmnopqrstuvwxyzäöüß",
    "αβγδεζηθικλμνξοπρσςτυφχψω",
    "абвгдеёжзийклмнопрстуфхцчшщъыьэюя",
    "אבגדהוזחטיכלמנסעפצקרשת",
    "ıiğüşöçâêîôûñœæ",
    "𐐨𐐩𐐪𐐫",  # small letters outside the basic plane
)
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAMES = st.text(
    st.characters(categories=["L", "N", "P", "S"], include_characters=" "), min_size=1, max_size=12
).filter(lambda text: text.strip() and text.isprintable())
LENGTHS = st.floats(0.1, 100)


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Keys in the cells of an uneven grid, some cells bare, with letters of some alphabet."""
    edges_x = np.cumsum([0.0, *draw(st.lists(LENGTHS, min_size=1, max_size=4))]).tolist()
    edges_y = np.cumsum([0.0, *draw(st.lists(LENGTHS, min_size=1, max_size=4))]).tolist()
    cells = [(a, b, c, d) for a, b in pairwise(edges_x) for c, d in pairwise(edges_y)]
    chosen = draw(st.lists(st.sampled_from(range(len(cells))), min_size=1, unique=True))
    alphabet = draw(st.sampled_from(ALPHABETS))
    letters = draw(st.permutations(alphabet))[: draw(st.integers(0, len(alphabet)))]
    keys = []
    for number, cell in enumerate(chosen):
        left, right, top, bottom = cells[cell]
        mine = "".join(letters[number :: len(chosen)])
        role = "letters" if mine else draw(st.sampled_from([r for r in ROLES if r != "letters"]))
        keys.append(
            Key(
                id=f"k{number}",
                label=draw(TEXT),
                x=left,
                y=top,
                w=right - left,
                h=bottom - top,
                letters=mine,
                role=role,
            )
        )
    return Layout(
        name=draw(NAMES),
        unit_mm=draw(st.floats(0.1, 20)),
        width=edges_x[-1],
        height=edges_y[-1],
        keys=tuple(keys),
        language=draw(st.sampled_from(["", "en", "de-CH", "sr-Latn-RS"])),
        alphabet="".join(letters),
        note=draw(TEXT),
    )


@given(layouts())
def test_saving_and_loading_gives_the_layout_back(layout: Layout) -> None:
    with tempfile.TemporaryDirectory() as folder:
        first, second = Path(folder) / "a.toml", Path(folder) / "b.toml"
        layout.save(first)
        loaded = Layout.load(first)
        loaded.save(second)
        assert loaded == layout
        assert hash(loaded) == hash(layout)
        assert first.read_bytes() == second.read_bytes()
    assert Layout.from_dict(layout.to_dict()) == layout


@given(layouts())
def test_the_picture_is_well_formed(layout: Layout) -> None:
    tree = ElementTree.fromstring(layout.to_svg())
    assert len(tree.findall(".//{http://www.w3.org/2000/svg}rect")) == len(layout.keys) + 2


@given(layouts(), st.data())
def test_nearest_key_against_a_loop(layout: Layout, data: st.DataObject) -> None:
    share = st.floats(-0.5, 1.5)
    x, y = data.draw(share) * layout.width, data.draw(share) * layout.height
    distances = [
        np.hypot(max(key.x - x, 0, x - key.x - key.w), max(key.y - y, 0, y - key.y - key.h))
        for key in layout.keys
    ]
    found = int(layout.nearest_key([(x, y)])[0])
    assert distances[found] <= min(distances) + 1e-9 * layout.width


@given(layouts(), st.integers(-8, 8), st.lists(st.tuples(st.floats(-1, 2), st.floats(-1, 2))))
def test_scaling_by_a_power_of_two_changes_no_nearest_key(
    layout: Layout, power: int, shares: list[tuple[float, float]]
) -> None:
    # Powers of two scale floating-point numbers exactly, ties and all.
    points = np.array(shares).reshape(-1, 2) * [layout.width, layout.height]
    factor = 2.0**power
    scaled = layout.scaled(factor)
    np.testing.assert_array_equal(layout.nearest_key(points), scaled.nearest_key(points * factor))


@given(layouts(), st.floats(0.02, 50), st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_scaling_by_any_factor_keeps_touches_on_their_keys(
    layout: Layout, factor: float, across: float, down: float
) -> None:
    points = layout.centers + layout.sizes * (np.array([across, down]) - 0.5)
    expected = list(range(len(layout.keys)))
    assert layout.nearest_key(points).tolist() == expected
    assert layout.scaled(factor).nearest_key(points * factor).tolist() == expected
    fitted = layout.fitted(layout.width_mm * factor, layout.height_mm)
    stretch = np.array([layout.unit_mm * factor, layout.unit_mm])
    assert fitted.nearest_key(points * stretch).tolist() == expected


JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(10**400)
    | st.floats()
    | st.text(max_size=5)
    | st.dates(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
FIELDS = st.sampled_from(
    [
        "name",
        "unit_mm",
        "surface",
        "width",
        "keys",
        "id",
        "x",
        "y",
        "w",
        "h",
        "letters",
        "label",
        "role",
        "alphabet",
        "language",
        "note",
    ]
)


def places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths of everything inside nested tables and lists."""
    found = [path] if path else []
    items = (
        data.items()
        if isinstance(data, dict)
        else enumerate(data)
        if isinstance(data, list)
        else ()
    )
    for step, value in items:
        found += places(value, (*path, step))
    return found


@given(layouts(), st.data())
@settings(max_examples=300)
def test_a_damaged_spec_gives_a_layout_or_a_layout_error(
    layout: Layout, data: st.DataObject
) -> None:
    spec: Any = copy.deepcopy(layout.to_dict())
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(places(spec) or [("name",)]))
        place = spec
        for step in path[:-1]:
            place = place[step]
        match data.draw(st.sampled_from(["set", "delete", "add"])):
            case "set":
                place[path[-1]] = data.draw(JUNK)
            case "delete":
                place.pop(path[-1], None) if isinstance(place, dict) else place.pop(path[-1])
            case _ if isinstance(place, dict):
                place[data.draw(FIELDS)] = data.draw(JUNK)
    check_outcome(spec)


@given(JUNK | st.dictionaries(FIELDS, JUNK))
def test_nonsense_gives_a_layout_error(spec: Any) -> None:
    check_outcome(spec)


def outcome(make: Callable[[], Layout]) -> Layout | LayoutError:
    try:
        return make()
    except LayoutError as error:
        return error


def check_outcome(spec: Any) -> None:
    made = outcome(lambda: Layout.from_dict(spec, where="pad.toml"))
    if isinstance(made, Layout):
        assert Layout.from_dict(made.to_dict()) == made
    else:
        assert made.where == "pad.toml"
        assert made.field
        assert made.fix
        assert len(str(made).splitlines()) == 1
        assert len(str(made)) < 600


@given(st.binary(max_size=200), st.integers(0, 4_000), st.integers(0, 40))
def test_a_damaged_file_gives_a_layout_or_a_layout_error(
    noise: bytes, start: int, length: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pad.toml"
        Layout.named("e161").save(path)
        whole = path.read_bytes()
        start %= len(whole)
        path.write_bytes(whole[:start] + noise + whole[start + length :])
        made = outcome(lambda: Layout.load(path))
    if isinstance(made, LayoutError):
        assert made.where == str(path)
        assert len(str(made).splitlines()) == 1


@st.composite
def small_bases(draw: st.DrawFn) -> Layout:
    """Up to eight unit keys in up to three staggered rows."""
    sizes = draw(st.lists(st.integers(1, 4), min_size=1, max_size=3).filter(lambda s: sum(s) <= 8))
    letters = iter("abcdefgh")
    keys = []
    for row, size in enumerate(sizes):
        offset = draw(st.sampled_from([0, 0.25, 0.5, 1, 1.5]))
        keys += [
            Key(letter, letter, offset + i, row, 1, 1, letter)
            for i, letter in zip(range(size), letters, strict=False)
        ]
    width = max(key.x + 1 for key in keys)
    alphabet = "".join(key.id for key in keys)
    return Layout("base", 1, width, len(sizes), tuple(keys), alphabet=alphabet)


@given(
    small_bases(),
    st.integers(1, 3),
    st.integers(1, 3),
    st.sampled_from(["strict", "loose", "ordered", "free"]),
)
@settings(deadline=None)
def test_counts_are_exact_and_grids_complete(
    base: Layout, rows: int, columns: int, rule: str
) -> None:
    try:
        count = count_grids(base, rows=rows, columns=columns, rule=rule)
    except LayoutError:
        assume(False)
    assume(0 < count <= 3_000)
    grids = list(grid_layouts(base, rows=rows, columns=columns, rule=rule))
    assert len(grids) == len({grid.name for grid in grids}) == count
    assert len({tuple((key.id, key.letters) for key in grid.keys) for grid in grids}) == count
    assert all(sorted(grid.letters) == sorted(base.letters) for grid in grids)
    drawn = list(
        grid_layouts(base, rows=rows, columns=columns, rule=rule, limit=max(count // 8, 1), seed=0)
    )
    by_name = {grid.name: grid for grid in grids}
    assert all(by_name[grid.name] == grid for grid in drawn)


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 5)), max_size=20))
def test_pareto_front_against_its_definition(points: list[tuple[int, int, int]]) -> None:
    def beats(a: tuple[int, ...], b: tuple[int, ...]) -> bool:
        return all(x <= y for x, y in zip(a, b, strict=True)) and a != b

    expected = [i for i, p in enumerate(points) if not any(beats(q, p) for q in points)]
    assert pareto_front(np.array(points).reshape(-1, 3)).tolist() == expected
