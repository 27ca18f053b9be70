"""Moves, annealing, the exact optimum and the Pareto front."""

from __future__ import annotations

from itertools import pairwise
from math import inf, nan

import numpy as np
import pytest

from nearkey.errors import LayoutError
from nearkey.layout import Key, Layout, grid_layouts
from nearkey.search import FreeMoves, OrderedMoves, anneal, best_ordered, pareto_front


def rows_of(*rows: tuple[float, str]) -> Layout:
    keys = [
        Key(letter, letter, offset + i, r, 1, 1, letter)
        for r, (offset, letters) in enumerate(rows)
        for i, letter in enumerate(letters)
    ]
    width = max(key.x + 1 for key in keys)
    return Layout("base", 1, width, len(rows), tuple(keys), alphabet="".join(k.id for k in keys))


BASE = rows_of((0, "abcd"), (0.5, "efg"))
THREE = rows_of((0, "abcd"), (0.5, "efg"), (1, "hi"))


def letters(layout: Layout) -> tuple[str, ...]:
    return tuple(key.letters for key in layout.keys)


@pytest.mark.parametrize(("base", "rows"), [(BASE, 1), (BASE, 2), (THREE, 2), (THREE, 1)])
def test_ordered_neighbours_are_ordered_grids_and_join_them_all(base: Layout, rows: int) -> None:
    grids = {
        letters(grid): grid for grid in grid_layouts(base, rows=rows, columns=2, rule="ordered")
    }
    moves = OrderedMoves(base, rows=rows, columns=2)
    near = {at: {letters(n) for n in moves.neighbours(grid)} for at, grid in grids.items()}
    for at, around in near.items():
        assert around <= grids.keys() - {at}
        assert all(at in near[other] for other in around)
    reached, frontier = set(), {next(iter(grids))}
    while frontier:
        reached |= frontier
        frontier = set().union(*(near[at] for at in frontier)) - reached
    assert reached == grids.keys()


def test_free_neighbours_are_all_swaps_and_single_moves() -> None:
    layout = next(grid_layouts(BASE, rows=1, columns=3, rule="free", limit=1, seed=2))
    sizes = [len(group) for group in letters(layout)]
    swaps = (sum(sizes) ** 2 - sum(n * n for n in sizes)) // 2
    shifts = sum(n * 2 for n in sizes if n > 1)
    near = list(FreeMoves(BASE).neighbours(layout))
    assert len(near) == swaps + shifts == len({letters(n) for n in near})
    order = BASE.letters.index
    for other in near:
        assert sorted(other.letters) == sorted(BASE.letters)
        assert all(list(map(order, group)) == sorted(map(order, group)) for group in letters(other))
        assert [(k.x, k.y, k.w, k.h) for k in other.keys] == [
            (k.x, k.y, k.w, k.h) for k in layout.keys
        ]


@pytest.mark.parametrize("moves", [FreeMoves(BASE), OrderedMoves(BASE, rows=2, columns=2)])
def test_drawing_reaches_exactly_the_neighbours(moves: FreeMoves | OrderedMoves) -> None:
    layout = next(grid_layouts(BASE, rows=2, columns=2, rule="ordered", limit=1, seed=0))
    rng = np.random.default_rng(5)
    drawn = {letters(moves.draw(layout, rng)) for _ in range(2_000)}
    assert drawn == {letters(near) for near in moves.neighbours(layout)}


def test_ordered_neighbours_come_in_the_order_that_seeds_draw_from() -> None:
    """Of each base row the boundaries between columns, a letter to the right, one to the left; then its runs."""
    at = ("abcde", "fg", "h", "i")
    grids = grid_layouts(THREE, rows=2, columns=2, rule="ordered")
    grid = next(grid for grid in grids if letters(grid) == at)
    near = [letters(one) for one in OrderedMoves(THREE, rows=2, columns=2).neighbours(grid)]
    assert near == [
        ("abce", "dfg", "h", "i"),
        ("abcd", "efg", "h", "i"),
        ("abcdef", "g", "h", "i"),
        ("abcd", "fg", "eh", "i"),
    ]


def test_moves_keep_a_fitted_surface() -> None:
    moves = OrderedMoves(BASE, rows=2, columns=2)
    layout = next(
        grid_layouts(BASE, rows=2, columns=2, rule="ordered", limit=1, width_mm=9, height_mm=4)
    )
    assert all((near.width, near.unit_mm) == (9, 1) for near in moves.neighbours(layout))


def test_no_move_gives_the_layout_back() -> None:
    single = rows_of((0, "a"))
    only = next(grid_layouts(single, rows=1, columns=1))
    rng = np.random.default_rng(0)
    assert FreeMoves(single).draw(only, rng) == only
    assert OrderedMoves(single, rows=1, columns=1).draw(only, rng) == only


def test_moves_refuse_strangers() -> None:
    stranger = Layout.named("qwerty")
    with pytest.raises(LayoutError, match="not an ordered 2 x 2 grid over base"):
        list(OrderedMoves(BASE, rows=2, columns=2).neighbours(stranger))
    with pytest.raises(LayoutError, match="is not in the base"):
        list(FreeMoves(BASE).neighbours(stranger))
    grid = next(grid_layouts(BASE, rows=2, columns=2, rule="ordered", limit=1))
    out_of_order = grid.with_letters(reversed(letters(grid)))
    with pytest.raises(LayoutError, match="not an ordered"):
        list(OrderedMoves(BASE, rows=2, columns=2).neighbours(out_of_order))


def random_cost(seed: int):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    pair = rng.random((10, 10))

    def cost(group: str) -> float:
        places = ["abcdefghij".index(letter) for letter in group]
        return float(pair[np.ix_(places, places)].sum())

    return cost


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("base", "rows", "columns"),
    [(BASE, 1, 3), (BASE, 2, 2), (BASE, 2, 3), (THREE, 2, 2), (THREE, 1, 3), (THREE, 3, 2)],
)
def test_best_ordered_against_listing_all(base: Layout, rows: int, columns: int, seed: int) -> None:
    cost = random_cost(seed)
    grids = list(grid_layouts(base, rows=rows, columns=columns, rule="ordered"))
    totals = [sum(cost(group) for group in letters(grid)) for grid in grids]
    found = best_ordered(base, rows=rows, columns=columns, cost=cost)
    assert found.cost == pytest.approx(min(totals), rel=1e-12)
    assert letters(found.layout) == letters(grids[int(np.argmin(totals))])
    assert found.groups_costed <= len({group for grid in grids for group in letters(grid)})


def test_best_ordered_shuns_forbidden_groups() -> None:
    cost = random_cost(1)

    def forbidding(group: str) -> float:
        return inf if {"a", "b"} <= set(group) else cost(group)

    found = best_ordered(BASE, rows=2, columns=2, cost=forbidding)
    assert not any({"a", "b"} <= set(group) for group in letters(found.layout))
    with pytest.raises(LayoutError, match="cost: every 2 x 2 grid over base is forbidden"):
        best_ordered(BASE, rows=2, columns=2, cost=lambda _: inf)


def test_best_ordered_refuses() -> None:
    with pytest.raises(LayoutError, match=r"cost: the cost of .* is nan"):
        best_ordered(BASE, rows=2, columns=2, cost=lambda _: nan)
    with pytest.raises(LayoutError, match="fills its cells"):
        best_ordered(BASE, rows=4, columns=2, cost=len)
    many = rows_of(*((0, chr(0x4E00 + 3 * i) + chr(0x4E01 + 3 * i)) for i in range(26)))
    with pytest.raises(LayoutError, match="anneal instead"):
        best_ordered(many, rows=1, columns=2, cost=len)


def score(layout: Layout) -> float:
    cost = random_cost(0)
    return -sum(cost(group) for group in letters(layout))


def start() -> Layout:
    return next(grid_layouts(BASE, rows=2, columns=2, rule="ordered", limit=1))


def test_annealing_finds_the_optimum_of_a_small_case() -> None:
    moves = OrderedMoves(BASE, rows=2, columns=2)
    *_, last = anneal(start(), score, moves, seed=3, steps=400, restarts=2)
    best = best_ordered(BASE, rows=2, columns=2, cost=random_cost(0))
    assert last.best_score == pytest.approx(-best.cost)
    assert letters(last.best) == letters(best.layout)
    assert last.best.name == f"{start().name}-annealed"


def test_annealing_is_deterministic_and_reports_as_promised() -> None:
    moves = FreeMoves(BASE)
    options = {"seed": 8, "steps": 250, "restarts": 3, "every": 100}
    first = list(anneal(start(), score, moves, **options))  # type: ignore[arg-type]
    assert first == list(anneal(start(), score, moves, **options))  # type: ignore[arg-type]
    assert [(r.restart, r.step) for r in first] == [
        (run, step) for run in range(3) for step in (100, 200, 250)
    ]
    assert all(a.best_score <= b.best_score for a, b in pairwise(first))
    assert all(r.best_score == score(r.best) and r.score <= r.best_score for r in first)
    other = list(anneal(start(), score, moves, **(options | {"seed": 9})))  # type: ignore[arg-type]
    assert [r.score for r in other] != [r.score for r in first]


def test_an_interrupted_search_goes_on() -> None:
    moves = FreeMoves(BASE)
    whole = list(anneal(start(), score, moves, seed=8, steps=100, restarts=4))
    rest = list(anneal(start(), score, moves, seed=8, steps=100, restarts=4, first_restart=2))
    assert [(r.restart, r.score, r.accepted) for r in whole[2:]] == [
        (r.restart, r.score, r.accepted) for r in rest
    ]
    assert whole[-1].best_score == max(whole[1].best_score, rest[-1].best_score)


def test_a_flat_score_is_no_trouble() -> None:
    *_, last = anneal(start(), lambda _: 1.0, FreeMoves(BASE), seed=0, steps=20, restarts=1)
    assert (last.accepted, last.best_score) == (20, 1.0)


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"steps": 0}, "steps"),
        ({"restarts": 0}, "restarts"),
        ({"first_restart": 4}, "restarts"),
        ({"every": 0}, "every"),
        ({"end_share": 0}, "end_share"),
        ({"start_temperature": nan}, "start_temperature"),
    ],
)
def test_anneal_refuses_at_once(options: dict[str, float], field: str) -> None:
    with pytest.raises(LayoutError) as caught:
        anneal(start(), score, FreeMoves(BASE), **({"seed": 1} | options))  # type: ignore[arg-type]
    assert caught.value.field == field


def test_anneal_refuses_a_score_that_is_no_number() -> None:
    with pytest.raises(LayoutError, match="score: the score of layout"):
        next(anneal(start(), lambda _: nan, FreeMoves(BASE), seed=1))


def test_pareto_front() -> None:
    points = [(1, 5), (2, 2), (5, 1), (3, 3), (2, 2), (1, 6)]
    assert pareto_front(points).tolist() == [0, 1, 2, 4]
    assert pareto_front(points, maximise=True).tolist() == [2, 3, 5]
    assert pareto_front(np.empty((0, 2))).tolist() == []
    with pytest.raises(LayoutError, match="points: some are not numbers"):
        pareto_front([(1, nan)])
    with pytest.raises(LayoutError, match="points: points of shape"):
        pareto_front([1, 2])
