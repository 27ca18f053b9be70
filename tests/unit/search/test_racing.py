"""Racing: the best stays in, the hopeless drop out, the error level is kept, shapes of reports."""

from __future__ import annotations

import numpy as np
import pytest
from test_objectives import make_pack

from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.report.search_page import separating_words
from nearkey.search.letter_space import grid_space
from nearkey.search.objectives import AmbiguityObjective, ambiguity_words
from nearkey.search.searching import race_layouts
from nearkey.simulate import collisions
from nearkey.touch import GaussianTouch

PACK = make_pack(120)
SPACE = grid_space(Layout.named("qwerty"), rows=2, columns=3, width_mm=18, height_mm=12)


def touch(layout):
    return GaussianTouch.from_layout(layout, spread_mm=1.5)


def drawn(n):
    rng = np.random.default_rng(5)
    keys = SPACE.array(SPACE.draw(rng) for _ in range(n))
    top = AmbiguityObjective(ambiguity_words(PACK, SPACE.letters)).evaluate(SPACE, keys)
    keys = keys[np.argsort(-top)]
    return [SPACE.layout(row, name=f"l{i}") for i, row in enumerate(keys.tolist())]


def test_the_hopeless_drop_out_and_the_best_stays():
    layouts = drawn(12)
    rows = race_layouts(layouts, touch=touch, pack=PACK, by="top1", words=200, rounds=4)
    assert sorted(row.layout.name for row in rows) == sorted(one.name for one in layouts)
    assert rows[0].dropped is None
    assert any(row.dropped is not None for row in rows)
    words = {row.dropped: row.words for row in rows}
    assert all(
        n == 200 * (2 ** (4 if d is None else d) - 1)
        for d, n in words.items()
        if len(words) > 1 and d is not None
    )
    # With 60,000 words the order is beyond doubt: the best of them is still in.
    sure = race_layouts(layouts, touch=touch, pack=PACK, by="top1", words=20_000, rounds=1, seed=99)
    assert sure[0].layout.name in {row.layout.name for row in rows if row.dropped is None}
    in_order = [row.dropped or 9 for row in rows]
    assert in_order == sorted(in_order, reverse=True)


def test_a_smaller_error_drops_later():
    layouts = drawn(12)
    few = race_layouts(layouts, touch=touch, pack=PACK, by="top1", words=200, rounds=2, error=0.5)
    many = race_layouts(layouts, touch=touch, pack=PACK, by="top1", words=200, rounds=2, error=1e-6)
    assert sum(r.dropped is None for r in few) < sum(r.dropped is None for r in many)


@pytest.mark.parametrize(
    ("change", "field"), [({"error": 0}, "error"), ({"rounds": 0}, "rounds"), ({"by": "x"}, "by")]
)
def test_numbers_that_cannot_be_meant(change, field):
    with pytest.raises(PlanError) as caught:
        race_layouts(drawn(2), touch=touch, pack=PACK, **change)
    assert caught.value.field == field


def test_separating_words_are_first_on_one_layout_only():
    one, other = drawn(2)
    words = separating_words(one, other, PACK)
    assert words
    here, there = collisions(one, PACK).rank, collisions(other, PACK).rank
    for word, _ in words:
        i = PACK.lexicon.index(word)
        assert here[i] == 1 != there[i]
