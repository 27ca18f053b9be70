"""Letter by letter: picks, spelling, addresses that are not split, words added by hand."""

from __future__ import annotations

import pytest
from session_fakes import FakeStore, barrel_pad, typist

from nearkey.errors import NearkeyError


def test_letters_are_picked_one_by_one_on_grouped_keys() -> None:
    t = typist(barrel_pad())
    t.type("later")
    for letter in "lhdwr":
        offered = [c for c, _ in t.session.letters()]
        assert letter in offered
        t.session.pick(offered.index(letter))
    assert t.session.letters() == ()
    assert not t.session.pick(0)
    assert t.session.text == "lhdwr"
    t.session.commit()
    assert t.session.text == "lhdwr "


def test_letters_offered_follow_the_letters_picked_before() -> None:
    t = typist(barrel_pad())
    t.type("st")
    t.session.pick("s")
    assert t.session.letters()[0][0] == "t"  # station, stake, staff
    scores = [score for _, score in t.session.letters()]
    assert scores == sorted(scores, reverse=True)


def test_readings_that_contradict_a_picked_letter_are_not_offered() -> None:
    t = typist(barrel_pad())
    t.type("late")
    assert len(t.session.candidates) > 1
    t.session.pick("h")
    assert {c.text[0] for c in t.session.candidates} <= {"H", "h"}
    assert t.session.candidates[0].word == "hate"
    t.session.pick("h", at=3)
    assert [c.text for c in t.session.candidates if c.kind != "spelled"] == []
    assert t.session.text[0] == t.session.text[3] == "h"


def test_a_pick_may_be_changed_and_names_a_touch_that_is_there() -> None:
    t = typist(barrel_pad())
    t.type("la")
    assert t.session.pick("k", at=0)
    assert t.session.pick("j", at=0)
    assert t.session.word[0] == "j"
    assert not t.session.pick("x", at=7)
    assert not t.session.pick(99)
    assert not t.session.pick("x", at=-1)
    t.session.clear()
    assert t.session.letters() == ()


@pytest.mark.parametrize("letter", ["", " ", "a b", "123456789"])
def test_a_pick_is_one_letter(letter: str) -> None:
    t = typist()
    t.type("la")
    with pytest.raises(NearkeyError, match="pick: letter"):
        t.session.pick(letter)


def test_picked_letters_stand_against_the_most_probable_word() -> None:
    t = typist()
    t.type("gate")
    for letter in "gade":
        t.session.pick(letter)
    assert t.session.text == "gade"
    t.type("s")
    assert t.session.text == "gades"
    t.session.delete()
    t.session.commit()
    assert t.session.text == "gade "


def test_spelling_writes_what_is_touched() -> None:
    t = typist()
    t.words("see")
    t.session.spell(True)
    assert t.session.spelling
    t.type("gatte")
    assert t.session.candidates[0].text == "gatte"
    assert t.session.candidates[0].kind == "spelled"
    t.session.commit()
    assert t.session.text == "See gatte "


def test_an_unfinished_word_can_be_turned_into_its_letters_and_back() -> None:
    t = typist()
    t.type("lat")
    read = t.session.text
    t.session.spell()
    assert t.session.text == "lat"
    t.session.spell()
    assert t.session.text == read


@pytest.mark.parametrize(
    "address", ["ann.bell@site.example", "site.example/field_notes?id=ab", "3.14", "a-b_c"]
)
def test_addresses_and_numbers_are_not_split(address: str) -> None:
    t = typist()
    t.words("see")
    t.session.spell(True)
    for char in address:
        if char in t.decoder.layout.letters:
            t.type(char)
        else:
            t.session.mark(char)
    assert t.session.text == f"See {address}"
    t.session.commit()
    t.session.spell(False)
    t.words("you")
    assert t.session.text == f"See {address} you "


def test_an_address_opens_again_as_one_word() -> None:
    t = typist()
    t.session.spell(True)
    t.type("ab")
    t.key("dot")
    t.type("cd")
    t.session.commit()
    t.session.delete()
    assert t.session.word == "ab.cd"
    t.session.delete()
    t.session.delete()
    t.session.delete()
    assert t.session.text == "ab"


def test_punctuation_keys_join_an_address_and_their_mark_can_be_picked() -> None:
    t = typist()
    t.session.spell(True)
    t.type("ab")
    t.key("ask")
    t.type("c")
    assert t.session.text == "ab,c"
    assert [m for m, _ in t.session.letters(2)] == [",", "!", "?"]
    t.session.pick("?", at=2)
    assert t.session.text == "ab?c"


def test_a_word_accepted_under_spelling_is_the_beginning_of_an_address() -> None:
    t = typist()
    t.session.spell(True)
    t.type("gate")
    t.session.accept([c.text for c in t.session.candidates].index("gate"))
    t.session.mark("@")
    t.type("ab")
    assert t.session.text == "gate@ab"


def test_the_full_stop_after_a_spelled_word_belongs_to_the_sentence() -> None:
    t = typist(personal=(store := FakeStore()))
    t.type("gade")
    for letter in "gade":
        t.session.pick(letter)
    t.session.mark(".")
    t.session.commit()
    assert t.shown == "gade. |"
    assert [word for word, _ in store.learnt.values()] == ["gade"]
    t.session.delete()
    t.session.delete()
    t.session.delete()
    assert t.session.word == "gade"


def test_nothing_is_put_around_letters_spelled_into_a_word() -> None:
    t = typist()
    t.session.insert("gte")
    t.session.move(1)
    t.session.spell(True)
    t.type("a")
    assert t.shown == "ga|te"


def test_a_word_added_by_hand_is_offered_at_once_and_undone() -> None:
    store = FakeStore()
    t = typist(personal=store)
    t.type("tarn")
    assert "tarn" not in [c.word for c in t.session.candidates if c.kind == "word"]
    assert t.session.add_word("tarn")
    assert "tarn" in [c.word for c in t.session.candidates if c.kind == "word"]
    assert not t.session.add_word("tarn")
    t.session.undo()
    assert "tarn" not in store
    assert "tarn" not in [c.word for c in t.session.candidates if c.kind == "word"]
    t.session.redo()
    assert "tarn" in store


def test_a_word_cannot_be_added_where_nobody_keeps_it() -> None:
    assert not typist().session.add_word("tarn")


def test_what_a_store_refuses_is_the_callers_error_and_changes_nothing() -> None:
    class Choosy(FakeStore):
        def add_word(self, word: str) -> None:
            raise NearkeyError("is no word", field="word")

    t = typist(personal=Choosy())
    before = t.session.state
    with pytest.raises(NearkeyError, match="is no word"):
        t.session.add_word("12 34")
    assert t.session.state is before


def test_marks_that_may_follow_are_listed() -> None:
    t = typist()
    t.type("you")
    assert t.session.marks[0][0] == "?"
    t.session.clear()
    t.type("gate")
    assert t.session.marks[0][0] == "."
