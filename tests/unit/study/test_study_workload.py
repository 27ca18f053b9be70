"""Workload scores, worked by hand; answers kept and refused."""

from __future__ import annotations

import math

import pytest

from nearkey.errors import StudyLogError
from nearkey.study import (
    WORKLOAD_PAIRS,
    WORKLOAD_SCALES,
    add_workload_answer,
    read_workload_answers,
    workload_answer,
    workload_summary,
)

RATINGS = {
    "mental": 60.0,
    "physical": 20.0,
    "temporal": 50.0,
    "performance": 30.0,
    "effort": 70.0,
    "frustration": 10.0,
}


def answer(participant="p1", condition="grid", chosen=None, **changes):
    fields = {"participant": participant, "condition": condition, **RATINGS, **changes}
    return workload_answer(fields, chosen=chosen)


def test_raw_and_weighted_scores() -> None:
    # By hand: (60 + 20 + 50 + 30 + 70 + 10) / 6 = 40. Always the first of a pair chosen: weights 5, 4, 3, 2, 1, 0, so
    # (300 + 80 + 150 + 60 + 70 + 0) / 15 = 44.
    assert len(WORKLOAD_PAIRS) == 15
    plain = answer()
    assert plain.raw == pytest.approx(40.0)
    assert math.isnan(plain.weighted)
    weighed = answer(chosen=[pair[0] for pair in WORKLOAD_PAIRS])
    assert list(weighed.weights.values()) == [5, 4, 3, 2, 1, 0]
    assert weighed.weighted == pytest.approx(44.0)
    assert [scale.name for scale in WORKLOAD_SCALES] == list(weighed.ratings)


def test_summary_by_condition() -> None:
    # By hand: raw 40 and 50; t of one degree of freedom 12.706, half 12.706 x 5 = 63.5, cut to 0 and 100.
    other = {name: value + 10 for name, value in RATINGS.items()}
    found = workload_summary([answer(), answer("p2", **other)])
    raw = found.conditions["grid"]["raw"]
    assert (raw.value, raw.low, raw.high) == (45.0, 0.0, 100.0)
    assert "weighted" in str(found)
    assert math.isnan(found.conditions["grid"]["weighted"].value)
    # Two sittings of one person are one person.
    again = workload_summary([answer(), answer(session=2, **other), answer("p2")])
    assert again.conditions["grid"]["raw"].value == pytest.approx((45 + 40) / 2)


def test_answers_survive_the_file(tmp_path) -> None:
    path = tmp_path / "workload.jsonl"
    given = [answer(), answer("p2", chosen=[pair[1] for pair in WORKLOAD_PAIRS])]
    for one in given:
        add_workload_answer(path, one)
    assert list(read_workload_answers(path)) == given
    assert path.stat().st_mode & 0o077 == 0
    with path.open("a") as file:
        file.write('{"participant":"p3"')
    assert list(read_workload_answers(path)) == given
    with path.open("a") as file:
        file.write("}\n")
    with pytest.raises(StudyLogError, match=r"line 3: condition: is missing"):
        read_workload_answers(path)


@pytest.mark.parametrize("cut", [1, 2, 40])
def test_an_answer_after_a_crash_begins_a_line_of_its_own(tmp_path, cut) -> None:
    path = tmp_path / "workload.jsonl"
    for person in ("p1", "p2"):
        add_workload_answer(path, answer(person))
    path.write_bytes(path.read_bytes()[:-cut])
    whole = ["p1", "p2"] if cut == 1 else ["p1"]  # all but the newline is there
    add_workload_answer(path, answer("p3"))
    assert [one.participant for one in read_workload_answers(path)] == [*whole, "p3"]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"mental": 101}, "mental"),
        ({"effort": None}, "effort"),
        ({"participant": "Ada Lovelace"}, "participant"),
        ({"weights": {"mental": 5, "joy": 5}}, "weights: names 'joy'"),
        ({"weights": {"mental": 5}}, "weights: sum to 5; count 15 choices"),
        ({"colour": 3}, "colour: unknown field"),
    ],
)
def test_what_is_no_answer_is_refused(changes, says) -> None:
    with pytest.raises(StudyLogError, match=says):
        answer(**changes)


def test_choices_are_one_of_each_pair() -> None:
    with pytest.raises(StudyLogError, match="chosen: does not choose one scale of each pair"):
        answer(chosen=["mental"] * 15)
    with pytest.raises(StudyLogError, match="chosen"):
        answer(chosen=[])


def test_one_answer_a_condition_and_sitting(tmp_path) -> None:
    path = tmp_path / "workload.jsonl"
    for _ in range(2):
        add_workload_answer(path, answer())
    with pytest.raises(StudyLogError, match="line 2: participant: p1 answers twice about grid"):
        read_workload_answers(path)
