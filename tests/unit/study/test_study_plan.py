"""Phrases, balanced orders, plans."""

from __future__ import annotations

import math
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from nearkey.errors import PlanError
from nearkey.study import StudyPlan, draw_phrases, plan_study, williams_design

# Invented lines of a surveyor's notebook.
LINES = [
    "The level at the north gate.",
    "Peg seven sits on wet clay",
    "bring the long staff tomorrow",
    "bring the long staff tomorrow!",
    "datum 4 is under the bridge",
    "ok",
    "stop, the tripod has moved",
    "the offset to the kerb is fine",
    "a note that goes on for very much longer than any phrase a person would copy",
    "check the xylograph by noon",
]


def test_drawn_phrases_pass_the_filters_and_the_rest_is_counted() -> None:
    def unigram(word: str) -> float:
        return math.log(1e-8 if word == "xylograph" else 1e-4)

    drawn = draw_phrases(LINES, 3, seed=1, unigram=unigram, exclude=["Peg seven sits on wet clay."])
    assert drawn.considered == 10
    assert dict(drawn.dropped) == {
        "excluded": 1,
        "repeated": 1,
        "too short or too long": 2,
        "with an unfamiliar word": 1,
        "with other than letters": 2,
    }
    assert drawn.usable == 3
    assert sorted(drawn.phrases) == [
        "bring the long staff tomorrow",
        "the level at the north gate",
        "the offset to the kerb is fine",
    ]
    assert 0 < drawn.letter_correlation <= 1
    assert "3 phrases of 3 usable ones in 10 lines" in str(drawn)
    assert drawn.to_dict()["seed"] == 1


def test_drawing_is_seeded() -> None:
    lines = [f"the {a} and the {b}" for a in ("level", "staff", "chain") for b in ("peg", "pole")]
    first = draw_phrases(lines, 4, seed=3).phrases
    assert draw_phrases(lines, 4, seed=3).phrases == first
    assert len({draw_phrases(lines, 4, seed=seed).phrases for seed in range(5)}) > 1


def test_alphabet_and_case() -> None:
    lines = ["το ύψος της πύλης", "the level at the gate"]
    greek = draw_phrases(lines, 1, seed=0, alphabet="αβγδεζηθικλμνξοπρσςτυφχψωύ")
    assert greek.phrases == ("το ύψος της πύλης",)
    kept = draw_phrases(["The Level at the Gate"], 1, seed=0, lower=False)
    assert kept.phrases == ("The Level at the Gate",)


def test_too_few_phrases_says_why() -> None:
    with pytest.raises(PlanError, match=r"5 phrases asked for, 1 usable in 2 lines \(1 too short"):
        draw_phrases(["ok", "the level at the gate"], 5, seed=0)
    with pytest.raises(PlanError, match="n_phrases: is 0"):
        draw_phrases(LINES, 0, seed=0)


@pytest.mark.parametrize("k", range(1, 10))
def test_williams_design_is_balanced(k: int) -> None:
    # The defining property of the design (Williams 1949), checked in full.
    orders = williams_design(k)
    assert len(orders) == (k if k % 2 == 0 or k == 1 else 2 * k)
    for order in orders:
        assert sorted(order) == list(range(k))
    for place in range(k):
        assert set(Counter(order[place] for order in orders).values()) == {len(orders) // k}
    pairs = Counter(pair for order in orders for pair in pairwise(order))
    assert set(pairs.values()) <= {1 if k % 2 == 0 else 2}
    assert len(pairs) == k * (k - 1)


def test_no_conditions_no_design() -> None:
    with pytest.raises(PlanError, match="k: is 0"):
        williams_design(0)


def _pool(n: int) -> list[str]:
    return [f"phrase {i}" for i in range(n)]


def test_plan_gives_everyone_every_block_and_no_phrase_twice() -> None:
    people = [f"p{i}" for i in range(6)]
    plan = plan_study(
        people, ["grid", "rows", "line"], _pool(40), seed=2, blocks=2, phrases_per_block=5
    )
    assert plan.balanced
    first_conditions = Counter(plan.of(name)[0].condition for name in people)
    assert set(first_conditions.values()) == {2}
    for name in people:
        mine = plan.of(name)
        assert [block.position for block in mine] == list(range(1, 10))
        assert [(b.block, b.practice) for b in mine[:3]] == [(1, True), (1, False), (2, False)]
        assert [b.rest_s for b in mine] == [0.0] + [120.0] * 8
        shown = [phrase for block in mine for phrase in block.phrases]
        assert len(shown) == len(set(shown)) == 3 * (2 + 10)
    assert plan.of("p0")[0].phrases != plan.of("p1")[0].phrases
    assert "caution" not in str(plan)


def test_plan_is_seeded_and_survives_a_file(tmp_path: Path) -> None:
    people, conditions = ["p1", "p2", "p3"], ["grid", "rows"]
    plan = plan_study(people, conditions, _pool(90), seed=2)
    assert plan == plan_study(people, conditions, _pool(90), seed=2)
    assert plan != plan_study(people, conditions, _pool(90), seed=3)
    assert not plan.balanced
    assert "multiple of 2 participants" in str(plan)
    path = tmp_path / "plan.json"
    plan.write(path)
    assert StudyPlan.read(path) == plan


def test_plans_that_cannot_be() -> None:
    with pytest.raises(PlanError, match=r"phrases: 84 different phrases needed.*, 3 given"):
        plan_study(["p1"], ["a", "b"], _pool(3), seed=0)
    with pytest.raises(PlanError, match="conditions: empty, or a name is repeated"):
        plan_study(["p1"], ["a", "a"], _pool(99), seed=0)
    with pytest.raises(PlanError, match="participants: empty"):
        plan_study([], ["a"], _pool(99), seed=0)
    with pytest.raises(PlanError, match="blocks"):
        plan_study(["p1"], ["a"], _pool(99), seed=0, blocks=0)
    plan = plan_study(["p1"], ["a"], _pool(99), seed=0)
    with pytest.raises(PlanError, match="'p9' is not in the plan"):
        plan.of("p9")


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format":"nearkey-study-plan"}'])
def test_a_damaged_plan_file(tmp_path: Path, text: str) -> None:
    path = tmp_path / "plan.json"
    path.write_text(text)
    with pytest.raises(PlanError, match=r"plan\.json"):
        StudyPlan.read(path)
