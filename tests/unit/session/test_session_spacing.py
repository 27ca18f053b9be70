"""Spaces around words and marks. The rules are those of docs/session.md: common practice, no source."""

from __future__ import annotations

import pytest
from session_fakes import typist

from nearkey.session import Spacing


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ("gate .", "Gate. |"),
        ("gate , open", "Gate, open |"),
        ("gate ( open ) . yes", "Gate (open). Yes |"),
        ('gate " open " , yes', 'Gate "open", yes |'),
        ('" gate "', '"Gate" |'),
        ("gate - open", "Gate-open |"),
        ("gate ? !", "Gate?! |"),
        ("gate . . .", "Gate... |"),
        ("gate & open", "Gate & open |"),
        ("gate : ( open", "Gate: (open |"),
        ("gate … open", "Gate… open |"),
        ("# gate", "#Gate |"),
        ("¿ gate ?", "¿Gate? |"),
        ("gate “ open ” .", "Gate “open”. |"),
        ("gate → open", "Gate → open |"),
    ],
)
def test_marks_attach_to_the_side_they_belong_to(steps: str, expected: str) -> None:
    t = typist()
    for step in steps.split():
        if step.isalpha():
            t.type(step)
            t.session.commit()
        else:
            t.session.mark(step)
    assert t.shown == expected


def test_a_mark_closes_the_open_word_without_a_space() -> None:
    t = typist()
    t.type("gate")
    t.session.mark(",")
    assert t.shown == "Gate, |"
    t.type("op")
    t.session.accept([c.text for c in t.session.candidates].index("open"))
    t.session.mark(".")
    assert t.shown == "Gate, open. |"


def test_a_space_of_the_persons_own_is_never_taken_away() -> None:
    t = typist()
    t.words("gate")
    t.session.space()
    t.session.mark(".")
    t.session.insert("  ")
    t.session.mark(",")
    assert t.session.text == "Gate .   , "


def test_marks_in_the_middle_of_a_text() -> None:
    t = typist()
    t.words("gate open")
    t.session.move(4)
    t.session.mark(",")
    assert t.shown == "Gate, |open "
    t.session.move(2)
    t.session.mark(".")
    assert t.shown == "Ga.|te, open "


def test_nothing_is_put_between_a_word_and_the_bracket_that_closes() -> None:
    t = typist()
    t.session.insert("(gate)")
    t.session.move(5)
    t.type("open")
    t.session.commit()
    assert t.shown == "(gate open|)"


def test_a_new_line_needs_no_space() -> None:
    t = typist()
    t.type("gate")
    t.session.insert("\n")
    t.type("open")
    assert t.session.text == "Gate\nopen"
    t.session.clear()
    t.session.mark("\n")
    assert t.session.text == "\n"


def test_a_word_before_a_line_end_does_not_jump_to_the_next_line() -> None:
    t = typist()
    t.session.insert("gate\nopen")
    t.session.move(4)
    t.type("no")
    t.session.commit()
    assert t.shown == "gate no |\nopen"


def test_text_is_inserted_as_it_is_and_words_beside_it_keep_their_distance() -> None:
    t = typist()
    t.type("gate")
    t.session.insert("123")
    assert t.shown == "Gate123|"
    t.type("open")
    assert t.session.text == "Gate123 open"
    t.session.commit()
    t.session.insert("")
    assert t.shown == "Gate123 open |"


def test_a_key_with_one_mark_places_it_and_one_with_several_offers_them() -> None:
    t = typist()
    t.type("gate")
    t.key("dot")
    assert t.shown == "Gate. |"
    t.type("you")
    t.key("ask")
    assert [c.text for c in t.session.candidates] == ["?", ",", "!"]
    assert t.shown == "Gate. You?|"
    t.session.accept(2)
    assert t.shown == "Gate. You!|"
    t.type("yes")
    assert t.session.text == "Gate. You! Yes"


def test_the_symbol_key_is_an_apostrophe_inside_a_word_and_a_mark_after_it() -> None:
    t = typist()
    t.type("don")
    t.key("sym")
    t.type("t")
    t.key("space")
    t.type("meet")
    t.key("sym")
    assert t.shown == "Don't meet.|"
    t.key("space")
    assert t.shown == "Don't meet. |"
    t.session.delete()
    assert t.shown == "Don't meet.|"
    t.session.accept([c.text for c in t.session.candidates].index("!"))
    t.session.commit()
    assert t.shown == "Don't meet! |"


def test_a_mark_touched_on_the_symbol_key_goes_as_a_touch_goes() -> None:
    t = typist()
    t.words("gate")
    t.key("sym")
    assert t.shown == "Gate.|"
    t.session.delete()
    assert t.shown == "Gate |"
    t.session.undo()
    t.key("sym")
    assert t.shown == "Gate..|"
    t.session.commit()
    assert t.shown == "Gate.. |"


def test_a_mark_on_the_symbol_key_may_turn_out_to_open() -> None:
    spacing = Spacing(closers=",", openers=".?!", joiners="", quotes="")
    t = typist(spacing=spacing)
    t.words("gate")
    t.key("sym")
    assert t.shown == "Gate .|"
    t.type("no")
    assert t.session.text == "Gate .No"


def test_other_languages_bring_their_own_rules() -> None:
    german = Spacing(closers=".,;:!?)“", openers="(„")
    t = typist(spacing=german)
    t.words("gate")
    t.session.mark("„")
    t.type("open")
    t.session.mark("“")
    assert t.shown == "Gate „open“ |"


@pytest.mark.parametrize(
    ("char", "before", "expected"),
    [
        ("a", "", "word"),
        ("ж", "", "word"),
        ("7", "", "word"),
        ("\u0301", "cafe", "word"),
        (" ", "", "white"),
        ("\n", "", "white"),
        (".", "", "closer"),
        ("(", "", "opener"),
        ("-", "", "joiner"),
        ("+", "", "spaced"),
        ('"', "he said ", "opener"),
        ('"', 'he said "yes', "closer"),
        ('"', 'a "\nb ', "opener"),
    ],
)
def test_how_characters_attach(char: str, before: str, expected: str) -> None:
    assert Spacing().attach(char, before) == expected
