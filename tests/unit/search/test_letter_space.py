"""Spaces of letter assignments: exact counts against brute force, listing, drawing, moves."""

from __future__ import annotations

from itertools import permutations, product

import numpy as np
import pytest

from nearkey.errors import LayoutError
from nearkey.layout import Key, Layout, count_grids
from nearkey.search import letter_space
from nearkey.search.letter_space import SpaceRules, grid_space, shape_space

QWERTY = Layout.named("qwerty")


def small(*rows: str) -> Layout:
    keys = tuple(
        Key(c, c, x=x + 0.5 * y, y=y, w=1, h=1, letters=c)
        for y, row in enumerate(rows)
        for x, c in enumerate(row)
    )
    width = max(len(row) + 0.5 * y for y, row in enumerate(rows))
    return Layout("small", 1.0, width, len(rows), keys, alphabet="".join(rows))


def brute(space, extra=lambda keys: True):
    """Every assignment that the plain words of the rules allow, one of each set that count as the same."""
    n, k = len(space.letters), len(space.key_ids)
    place = {c: i for i, c in enumerate(space.letters)}
    ids = {key: i for i, key in enumerate(space.key_ids)}
    rules, (least, most) = space.rules, space.sizes
    found = []
    for keys in product(range(k), repeat=n):
        sizes = [keys.count(key) for key in range(k)]
        good = min(sizes) >= least and max(sizes) <= most
        good &= all(keys[place[c]] == ids[key] for c, key in rules.pins.items())
        good &= all(keys[place[c]] != ids[e] for c, no in rules.exclude.items() for e in no)
        good &= all(len({keys[place[c]] for c in one}) == 1 for one in rules.together)
        good &= all(len({keys[place[c]] for c in one}) == len(one) for one in rules.apart)
        for one in rules.groups:
            there = {c for c in space.letters if keys[place[c]] == keys[place[one[0]]]}
            good &= there == set(one)
        if good and extra(keys):
            found.append(keys)
    return found


RULES = [
    SpaceRules(),
    SpaceRules(sizes=(1, 3)),
    SpaceRules(pins={"a": "r1c1"}, exclude={"b": ("r1c2", "r1c1")}),
    SpaceRules(together=("ad",), apart=("be",)),
    SpaceRules(groups=("cf",), apart=("abd",), sizes=(0, 4)),
    SpaceRules(together=("ab", "cd"), sizes=(0, 2)),
]


@pytest.mark.parametrize("rules", RULES)
@pytest.mark.parametrize(("rows", "columns"), [(1, 3), (2, 2)])
def test_free_spaces_hold_what_brute_force_finds(rules, rows, columns):
    space = grid_space(small("abc", "def"), rows=rows, columns=columns, rules=rules)
    expected = brute(space)
    assert list(space.listing()) == sorted(expected)
    assert space.count() == len(expected)
    assert all(space.allows(keys) for keys in expected)


@pytest.mark.parametrize("rules", RULES)
def test_interchangeable_keys_count_once(rules):
    from dataclasses import replace

    space = grid_space(
        small("abc", "def"), rows=1, columns=3, rules=replace(rules, symmetry="keys")
    )
    k = len(space.key_ids)
    same = [
        image
        for image in permutations(range(k))
        if all({image[key] for key in keys} == set(keys) for keys in space.domains)
        # Keys of one class only: those that all letters reach alike.
        and all(
            all((key in keys) == (image[key] in keys) for keys in space.domains) for key in range(k)
        )
    ]
    orbits = {
        frozenset(tuple(image[key] for key in keys) for image in same) for keys in brute(space)
    }
    listed = list(space.listing())
    assert space.count() == len(listed) == len(orbits)
    assert len({space.canonical(keys) for orbit in orbits for keys in orbit}) == len(orbits)


@pytest.mark.parametrize("sizes", [None, (0, 6), (1, 2)])
def test_mirror_images_count_once(sizes):
    space = grid_space(
        small("abc", "def"), rows=2, columns=2, rules=SpaceRules(symmetry="mirror", sizes=sizes)
    )
    images = [(0, 1, 2, 3), (1, 0, 3, 2), (2, 3, 0, 1), (3, 2, 1, 0)]
    orbits = {
        frozenset(tuple(image[key] for key in keys) for image in images) for keys in brute(space)
    }
    assert space.count() == len(orbits) == len(list(space.listing()))


def test_ordered_spaces_hold_what_brute_force_finds():
    space = grid_space(
        small("abcd", "ef"), rows=1, columns=3, rule="ordered", rules=SpaceRules(apart=("ae",))
    )

    def in_order(keys):
        return list(keys[:4]) == sorted(keys[:4]) and list(keys[4:]) == sorted(keys[4:])

    expected = brute(space, in_order)
    assert list(space.listing()) == sorted(expected)
    assert space.count() == len(expected)


@pytest.mark.parametrize("rule", ["strict", "loose", "ordered", "free"])
@pytest.mark.parametrize(("rows", "columns"), [(2, 2), (2, 3), (3, 3)])
def test_counts_equal_the_closed_forms_of_grids(rule, rows, columns):
    space = grid_space(QWERTY, rows=rows, columns=columns, rule=rule)
    assert space.count() == count_grids(QWERTY, rows=rows, columns=columns, rule=rule)


def test_listed_pieces_make_up_the_space():
    space = grid_space(QWERTY, rows=2, columns=2, rule="ordered")
    pieces = [keys for prefix in space.prefixes(100) for keys in space.listing(prefix)]
    assert len(space.prefixes(100)) > 20
    assert pieces == list(space.listing())
    assert len(set(pieces)) == 2470


@pytest.mark.parametrize("rule", ["strict", "loose", "ordered", "free"])
def test_moves_stay_inside_and_reach_everything(rule):
    space = grid_space(small("abcd", "efg"), rows=2, columns=2, rule=rule)
    everything = set(space.listing())
    reached, new = set(), [next(space.listing())]
    while new:
        keys = new.pop()
        if keys not in reached:
            reached.add(keys)
            new.extend(space.moves(keys))
    assert reached == everything
    rng = np.random.default_rng(0)
    assert all(space.draw_move(keys, rng) in everything for keys in list(everything)[:50])


def test_draws_are_equally_likely():
    space = grid_space(small("abc"), rows=1, columns=2)
    rng = np.random.default_rng(1)
    drawn = [space.draw(rng) for _ in range(6000)]
    times = [drawn.count(keys) for keys in space.listing()]
    assert len(times) == 6
    # 6,000 draws over 6 layouts: 1,000 each with a standard deviation of 29.
    assert min(times) > 850
    assert max(times) < 1150


def test_layouts_and_assignments_say_the_same():
    space = grid_space(QWERTY, rows=2, columns=3, width_mm=18, height_mm=12)
    keys = space.draw(np.random.default_rng(0))
    layout = space.layout(keys, name="mine")
    assert layout.name == "mine"
    assert (layout.width, layout.height, len(layout.keys)) == (18, 12, 6)
    assert space.keys_of(layout) == keys


def test_keys_of_any_shape():
    shapes = Layout(
        "pad", 1.0, 10.0, 3.0,
        (
            Key("left", "", x=0, y=0, w=4, h=3, letters="abcdefgh"),
            Key("top", "", x=4, y=0, w=6, h=1.5, letters="ijklmnop"),
            Key("low", "", x=4, y=1.5, w=6, h=1.5, letters="qrstuvwxyz"),
        ),
    )  # fmt: skip
    loose = shape_space(QWERTY, shapes, rule="loose")
    domain = dict(zip(loose.letters, loose.domains, strict=True))
    assert domain["q"] == (0,)
    assert domain["p"] == (1,)
    assert domain["l"] == (1, 2)
    assert loose.count() == np.prod([len(keys) for keys in loose.domains])
    strict = shape_space(QWERTY, shapes, rule="strict")
    assert 0 < strict.count() < loose.count()
    ordered = shape_space(QWERTY, shapes, rule="ordered")
    assert 0 < ordered.count() == sum(1 for _ in ordered.listing())


@pytest.mark.parametrize(
    ("rules", "field"),
    [
        (SpaceRules(pins={"ä": "r1c1"}), "pins"),
        (SpaceRules(pins={"a": "r9c1"}), "pins"),
        (
            SpaceRules(exclude={"a": tuple(f"r{r}c{c}" for r in (1, 2) for c in (1, 2, 3))}),
            "pins, exclude",
        ),
        (SpaceRules(sizes=(5, 9)), "sizes"),
        (SpaceRules(groups=("ab", "bc")), "groups"),
        (SpaceRules(together=("aa",)), "together"),
        (SpaceRules(symmetry="round"), "symmetry"),
    ],
)
def test_rules_that_cannot_be_meant_are_named(rules, field):
    with pytest.raises(LayoutError) as caught:
        grid_space(QWERTY, rows=2, columns=3, rules=rules)
    assert caught.value.field == field


def test_a_space_of_many_unlike_keys_is_said_to_be_too_large_to_count(monkeypatch):
    """Each letter with keys of its own: states of the count grow beyond any patience."""
    monkeypatch.setattr(letter_space, "_MOST_STATES", 2000)
    letters = QWERTY.letters
    exclude = {c: (f"r{1 + i % 2}c{1 + i % 10}",) for i, c in enumerate(letters)}
    rules = SpaceRules(exclude=exclude, sizes=(0, 6))
    space = grid_space(QWERTY, rows=2, columns=10, rule="free", rules=rules)
    assert not space.is_empty()
    with pytest.raises(LayoutError, match="too many kinds of keys to be counted"):
        space.count()


def test_a_space_without_layouts_is_empty():
    rules = SpaceRules(together=("as",), apart=("as",))
    space = grid_space(QWERTY, rows=2, columns=3, rule="free", rules=rules)
    assert space.is_empty()
    assert space.count() == 0
