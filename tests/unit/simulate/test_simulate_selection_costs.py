"""What choices that go wrong cost, and space and delete as keys that touches miss."""

from __future__ import annotations

import numpy as np
import pytest
from small_models import row_layout

import nearkey as nk
from nearkey.errors import PlanError
from nearkey.layout import Key, Layout
from nearkey.simulate import Selection, Typist
from nearkey.touch import GaussianTouch

LETTERS = row_layout(["ab", "cd", "ef"], name="pairs").fitted(18, 6)
WITH_SPACE = Layout(
    name="spaced",
    unit_mm=1.0,
    width=18.0,
    height=12.0,
    alphabet="abcd",
    keys=(
        Key("k0", "AB", 0.0, 0.0, 9.0, 6.0, "ab"),
        Key("k1", "CD", 9.0, 0.0, 9.0, 6.0, "cd"),
        Key("space", "space", 0.0, 6.0, 12.0, 6.0, "", "space"),
        Key("delete", "delete", 12.0, 6.0, 6.0, 6.0, "", "delete"),
    ),
)


def test_a_wrong_choice_is_deleted_and_made_again():
    touches, rank, spelled = np.array([4, 4]), np.array([3, 0]), np.array([9.0, 9.0])
    right = Selection().keystrokes(touches, rank, spelled)
    wrong = Selection(error=0.2).keystrokes(touches, rank, spelled)
    rng = np.random.default_rng(0)
    tries = rng.geometric(0.8, 200_000)  # until the choice is right
    assert wrong[0] == pytest.approx((4 + 3 * tries + (tries - 1)).mean(), rel=0.005)
    assert wrong[1] == right[1]  # a word that is not listed is not chosen
    with pytest.raises(PlanError, match=r"selection.error: is 1"):
        Selection(error=1.0)


def test_space_and_delete_cost_what_touches_of_them_cost():
    words = ["ab", "cab", "dad"]

    def extra(layout, spread_mm):
        typist = Typist(layout, GaussianTouch.from_layout(layout, spread_mm=spread_mm), words)
        typing = typist.type(np.tile([0, 1, 2], 500), np.random.default_rng(0))
        return typist.function_keystrokes(typing)

    assert (extra(LETTERS, 3.0) == 0).all()
    assert extra(WITH_SPACE, 0.1) == pytest.approx(np.zeros(1500))
    some, more = extra(WITH_SPACE, 1.5).mean(), extra(WITH_SPACE, 3.0).mean()
    assert 0 < some < more
    # By hand: how often a space is not read as one, and how often a letter is read as space or delete.
    rng, unit = np.random.default_rng(1), nk.GaussianTouch.from_layout(WITH_SPACE, spread_mm=3.0)

    def read(column, n=40_000):
        return unit.log_prob(unit.sample(np.full(n, column), rng)).argmax(axis=1)

    space, delete = 1 / (read(2) == 2).mean(), 1 / (read(3) == 3).mean()
    missed = np.mean([(read(0) >= 2).mean(), (read(1) >= 2).mean()])
    expected = (space - 1) * (1 + delete) + 8 / 3 * missed * (1 + delete)
    assert more == pytest.approx(expected, rel=0.15)
