"""Capitals: the decoder's, and what shift and capitals lock say against them."""

from __future__ import annotations

from typing import Literal

import pytest
from session_fakes import typist

from nearkey.errors import NearkeyError
from nearkey.session.content import Case
from nearkey.session.editing import cased


@pytest.mark.parametrize(
    ("text", "cases", "expected"),
    [
        ("gate", ["", "", "", ""], "gate"),
        ("gate", ["upper", "", "", ""], "Gate"),
        ("gate", ["", "", "upper", ""], "gaTe"),
        ("gate", ["lock"] * 4, "GATE"),
        ("gates", ["lock"] * 4, "GATES"),
        ("gates", ["upper"], "Gates"),
        ("London", ["lower", "", ""], "london"),
        ("London", ["lower", "upper", ""], "lOndon"),
        ("don't", ["", "", "", "upper"], "don'T"),
        ("straße", ["lock"] * 6, "STRASSE"),
        ("ünï", ["", "", "upper"], "ünÏ"),
        ("", ["upper"], ""),
    ],
)
def test_what_is_said_about_letters(text: str, cases: list[Case], expected: str) -> None:
    assert cased(text, cases) == expected


def test_the_decoder_capitalises_and_small_letters_win_over_it() -> None:
    t = typist()
    t.type("gate")
    assert t.session.text == "Gate"
    t.session.clear()
    t.session.shift("lower")
    t.type("gate")
    assert t.session.text == "gate"
    t.session.commit()
    t.type("london")
    assert t.session.text == "gate London"
    for _ in range(6):
        t.session.delete()
    t.session.shift("lower")
    t.type("london")
    assert t.session.text == "gate london"


def test_a_session_can_leave_case_alone() -> None:
    t = typist(auto_capitals=False)
    t.type("gate")
    assert t.session.text == "gate"
    t.session.commit()
    t.type("london")
    assert t.session.text == "gate london"
    assert [c.text for c in t.session.candidates] == [c.text.lower() for c in t.session.candidates]
    assert len({c.text for c in t.session.candidates}) == len(t.session.candidates)
    # Capitals the person asks for stand.
    t.session.clear()
    t.session.shift("upper")
    t.type("gate")
    assert t.session.text == "Gate"
    t.session.commit()
    t.session.caps_lock(True)
    t.type("pen")
    assert t.session.text == "Gate PEN"


def test_shift_holds_for_one_letter() -> None:
    t = typist()
    t.words("see")
    t.session.shift()
    t.type("you")
    assert t.session.text == "See You"
    assert t.session.shift_mode == ""


def test_shift_steps_round() -> None:
    t = typist()
    modes = []
    for _ in range(4):
        t.session.shift()
        modes.append(t.session.shift_mode)
    assert modes == ["upper", "lower", "", "upper"]
    t.session.caps_lock(True)
    t.session.shift("")
    t.session.shift()
    assert t.session.shift_mode == "lower"


def test_shift_takes_no_other_word() -> None:
    mode: Literal["upper"] = "capital"  # type: ignore[assignment]
    with pytest.raises(NearkeyError, match="shift: mode"):
        typist().session.shift(mode)


def test_capitals_lock_holds_until_it_is_released() -> None:
    t = typist()
    t.key("shift")
    t.session.shift("")
    t.session.caps_lock()
    assert t.session.caps
    t.words("see you")
    t.session.caps_lock()
    t.words("at")
    assert t.session.text == "SEE YOU at "


def test_completions_and_predictions_follow_the_case_that_was_chosen() -> None:
    t = typist()
    t.session.caps_lock(True)
    t.type("stat")
    assert "STATION" in [c.text for c in t.session.candidates]
    t.session.clear()
    t.session.caps_lock(False)
    t.words("see")
    t.session.shift("upper")
    assert t.session.candidates[0].text == "You"
    t.session.accept(0)
    assert t.session.text == "See You"
    assert t.session.shift_mode == ""
    t.session.commit()
    assert "later" in [c.text for c in t.session.candidates]


def test_spelled_letters_take_their_case_one_by_one() -> None:
    t = typist()
    t.session.spell(True)
    t.type("a")
    t.session.shift("upper")
    t.type("bc")
    assert t.session.text == "aBc"
