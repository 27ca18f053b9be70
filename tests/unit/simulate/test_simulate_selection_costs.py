"""What choices that go wrong cost, and space and delete as keys that touches miss."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

import nearkey as nk
from nearkey.errors import PlanError
from nearkey.layout import Key, Layout
from nearkey.simulate import HandTouch, HandTraits, Selection, Typist
from nearkey.simulate.rank_plan import RankPlan
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


class Scripted:
    """Touches of a hand that is told where to land, key by key: letters first, then the spaces."""

    def __init__(self, *calls):
        self._model = GaussianTouch.from_layout(WITH_SPACE, spread_mm=0.5)
        self.key_ids, self._calls = self._model.key_ids, [list(call) for call in calls]

    def log_prob(self, points):
        return self._model.log_prob(points)

    def perform(self, aims, rng):
        hit = self._calls.pop(0)
        felt = [i for i, key in enumerate(hit) if key is not None]
        centers = np.asarray(WITH_SPACE.centers)
        return centers[[WITH_SPACE.key_index(hit[i]) for i in felt]], np.array(felt, np.int64)


@pytest.mark.parametrize(
    ("letters", "spaces", "asked"),
    [
        # ab, cab, dad: all as aimed.
        ("00 100 101", "sss", ["00", "100", "101"]),
        # A space that is not felt joins two words: both are asked for at once.
        ("00 100 101", "s-s", ["00", "100101", "100101"]),
        # So does one that lands on a letter, whose touch stands between them.
        ("00 100 101", "0ss", ["000100", "000100", "101"]),
        # And one that lands on delete, which takes a letter back.
        ("00 100 101", "dss", ["0100", "0100", "101"]),
        ("00 100 101", "---", ["00100101"] * 3),
        # A letter that lands on space ends the word there; one that lands on delete takes the touch before back.
        ("00 1s0 101", "sss", ["00", "1", "101"]),
        ("00 10d 101", "sss", ["00", "1", "101"]),
        ("00 d00 101", "sss", ["00", "00", "101"]),
        # A space before any letter does nothing; a word of which nothing is left is not asked for.
        ("00 s00 101", "sss", ["00", "00", "101"]),
        ("0d 100 101", "sss", ["", "100", "101"]),
    ],
)
def test_missed_spaces_and_slips_onto_space_and_delete_change_what_the_decoder_is_asked(
    letters, spaces, asked
):
    key = {"0": "k0", "1": "k1", "s": "space", "d": "delete", "-": None}
    hand = Scripted([key[c] for c in letters if c != " "], [key[c] for c in spaces])
    typist = Typist(WITH_SPACE, hand, ["ab", "cab", "dad"])
    typing = typist.type(np.arange(3), np.random.default_rng(0))
    points, offsets = typist.arrived(typing)
    hit = "".join("01sd"[i] for i in WITH_SPACE.nearest_key(points)) if len(points) else ""
    assert [hit[a:b] for a, b in pairwise(offsets.tolist())] == asked
    assert typing.touches.tolist() == [2, 3, 3]  # the fingers' work is what it was


def test_missed_spaces_are_missed_words_in_a_ranking():
    words = ["ab", "cab", "dad", "bad", "add"]
    pack = SmallPack(SmallLexicon(words, np.log(np.full(5, 0.2, np.float32))), PlainModel(words))
    bare = Layout(
        name="bare", unit_mm=1.0, width=18.0, height=12.0, alphabet="abcd", keys=WITH_SPACE.keys[:2]
    )

    def top5(layout, missed):
        hand = HandTouch(layout, HandTraits(spread_mm=0.3, missed=missed))
        typist = Typist(layout, hand, words)
        rng = np.random.default_rng(0)
        assert typist.type(np.zeros(9, np.int64), rng).touches.sum() > 0
        settings = {"touch": hand, "pack": pack, "words": 2000, "seed": 3}
        return nk.rank_layouts([layout], **settings).rows[0]

    whole, some = top5(WITH_SPACE, 0.0), top5(WITH_SPACE, 0.1)
    assert whole.top5.value == 1.0
    # By hand: of 2 2/3 letters a word all but the first are felt with 0.9, and the spaces on both sides with 0.9 each.
    lengths = np.array([len(word) for word in words])
    felt = (0.9 ** (lengths - 1)).mean()
    assert top5(bare, 0.1).top5.value == pytest.approx(felt, abs=0.025)
    assert some.top5.value == pytest.approx(felt * 0.9**2, abs=0.025)
    assert some.kspc.value > 1.2 * whole.kspc.value


def test_corrections_take_a_delete_and_a_space_that_are_read_as_such():
    words = ["ab", "cab", "dad"]

    def spelled(layout, spread_mm):
        typist = Typist(layout, GaussianTouch.from_layout(layout, spread_mm=spread_mm), words)
        return typist.spelled_keystrokes(np.array([0])), typist

    few, _ = spelled(WITH_SPACE, 0.1)
    many, typist = spelled(WITH_SPACE, 3.0)
    assert few == pytest.approx([3.0])  # a touch, a touch, and a step to b on its key
    unit, rng = nk.GaussianTouch.from_layout(WITH_SPACE, spread_mm=3.0), np.random.default_rng(1)

    def read(column, n=40_000):
        return unit.log_prob(unit.sample(np.full(n, column), rng)).argmax(axis=1)

    space, delete = 1 / (read(2) == 2).mean(), 1 / (read(3) == 3).mean()
    letters = typist._letter_cost[:2].sum()
    expected = letters + delete - 1 + (space - 1) * (1 + delete)
    assert many == pytest.approx([expected], rel=0.05)
    assert spelled(LETTERS, 3.0)[1]._presses("space") == 1.0


def test_a_plan_may_still_say_listed_but_not_beside_k(tmp_path):
    plan = tmp_path / "plan.toml"

    def loaded(selection):
        plan.write_text(
            'name = "invented"\n'
            "[surface]\nwidth_mm = 18\nheight_mm = 12\n[touch]\nspread_mm = 2.0\n"
            f'[[candidates]]\nbase = "qwerty"\nrows = 2\ncolumns = 3\n[selection]\n{selection}'
        )
        return RankPlan.load(plan).selection.k

    assert loaded("listed = 3\n") == loaded("k = 3\n") == 3
    with pytest.raises(PlanError, match=r"selection\.listed: unknown field"):
        loaded("listed = 3\nk = 4\n")
