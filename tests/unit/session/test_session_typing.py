"""Touches, candidates, commits, deletes and cursor moves, worked out by hand on the fake decoder.

What is expected follows from the rules in docs/session.md; common practice, no source.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from session_fakes import FakeDecoder, Typist, barrel_pad, typist, wide_pad

from nearkey.errors import NearkeyError
from nearkey.session import Session


def test_a_touched_word_stands_in_the_text_and_a_commit_puts_a_space_after_it() -> None:
    t = typist()
    t.type("gate")
    assert t.shown == "Gate|"
    assert t.session.word == "Gate"
    assert len(t.session.touches) == 4
    assert t.session.commit()
    assert t.shown == "Gate |"
    assert t.session.word == ""
    assert t.session.touches == ()


def test_commit_without_a_word_does_nothing() -> None:
    t = typist()
    assert not t.session.commit()
    assert t.session.text == ""
    assert not t.session.can_undo


def test_the_first_candidate_is_what_a_commit_takes() -> None:
    t = typist()
    t.type("lat")
    first = t.session.candidates[0]
    assert t.session.text == first.text
    t.session.commit()
    assert t.session.text == first.text + " "


def test_an_accepted_candidate_waits_for_the_next_letter() -> None:
    t = typist()
    t.words("see")
    t.type("yo")
    rank = [c.text for c in t.session.candidates].index("you")
    assert t.session.accept(rank)
    assert t.shown == "See you|"
    t.type("l")
    assert t.session.text.startswith("See you l")
    assert len(t.session.touches) == 1


def test_another_candidate_may_be_accepted_instead() -> None:
    t = typist()
    t.type("lat")
    second = t.session.candidates[1].text
    t.session.accept(0)
    t.session.accept(1)
    assert t.session.text == second
    t.session.commit()
    assert t.session.text == second + " "


@pytest.mark.parametrize("rank", [-1, 5, 99])
def test_a_place_with_no_candidate_is_no_choice(rank: int) -> None:
    t = typist()
    t.type("lat")
    before = t.session.state
    assert not t.session.accept(rank)
    assert t.session.state is before


def test_a_predicted_word_is_accepted_without_a_touch() -> None:
    t = typist()
    t.words("see")
    assert t.session.candidates[0].kind == "prediction"
    t.session.accept(0)
    assert t.shown == "See you|"
    t.type("l")
    assert t.session.text.startswith("See you l")
    t.session.delete()
    assert t.shown == "See you |"
    t.session.delete()
    assert t.shown == "See you|"
    t.session.delete()
    assert t.shown == "See |"


def test_delete_takes_touches_then_opens_the_word_before_with_its_touches() -> None:
    t = typist()
    t.words("gate open")
    t.type("no")
    t.session.delete()
    t.session.delete()
    assert t.shown == "Gate open |"
    t.session.delete()
    assert t.shown == "Gate open|"
    assert t.session.word == "open"
    assert len(t.session.touches) == 4
    t.session.delete()
    assert len(t.session.touches) == 3
    t.type("n")
    assert t.session.word == "open"
    for _ in range(4):
        t.session.delete()
    assert t.shown == "Gate |"


def test_an_opened_word_keeps_its_form_until_it_is_touched_and_can_be_chosen_anew() -> None:
    t = typist(barrel_pad())
    t.words("late")
    first = t.session.text
    t.session.delete()
    assert t.session.text == first.rstrip()
    other = next(c for c in t.session.candidates if c.text + " " != first)
    t.session.accept(t.session.candidates.index(other))
    t.session.commit()
    assert t.session.text == other.text + " "


def test_delete_on_an_accepted_word_takes_the_choice_back_first() -> None:
    t = typist()
    t.type("lat")
    before = t.session.text
    t.session.accept(1)
    t.session.delete()
    assert t.session.text == before
    assert len(t.session.touches) == 3


def test_a_completion_opened_again_is_still_a_choice_and_not_its_touches() -> None:
    t = typist()
    t.type("stat")
    t.session.accept([c.text for c in t.session.candidates].index("Station"))
    t.session.commit()
    t.session.delete()
    assert t.shown == "Station|"
    t.type("n")
    assert t.session.text.startswith("Station n")
    t.session.undo()
    t.session.delete()
    assert len(t.session.touches) == 4
    assert t.session.word != "station"


def test_delete_at_the_start_does_nothing() -> None:
    t = typist()
    assert not t.session.delete()
    t.words("gate")
    t.session.move(0)
    assert not t.session.delete()
    assert t.shown == "|Gate "


def test_inserted_text_is_deleted_character_by_character_accents_and_all() -> None:
    t = typist()
    t.session.insert("cafe\u0301 λ")
    for expected in ("cafe\u0301 ", "cafe\u0301", "caf", "ca"):
        t.session.delete()
        assert t.session.text == expected


def test_keys_act_as_their_events() -> None:
    t = typist()
    t.type("gate")
    t.key("space")
    assert t.shown == "Gate |"
    t.key("del")
    assert t.session.word == "Gate"
    t.key("cand2")
    assert t.session.text == t.session.candidates[1].text
    t.key("cand1", "dot")
    assert t.shown == "Gate. |"
    t.key("shift", "shift")
    assert t.session.shift_mode == "lower"


def test_the_accept_key_steps_through_the_list_and_round() -> None:
    t = typist()
    t.type("lat")
    texts = [c.text for c in t.session.candidates]
    seen = []
    for _ in range(len(texts) + 1):
        t.key("accept")
        seen.append(t.session.text)
    assert seen == [*texts, texts[0]]


def test_the_space_key_commits_else_makes_a_space_of_its_own() -> None:
    t = typist()
    t.key("space")
    assert t.shown == " |"
    t.session.clear()
    t.words("gate")
    t.key("space")  # the space that is there becomes the person's own
    assert t.shown == "Gate |"
    t.session.mark(".")
    assert t.shown == "Gate . |"
    t.key("space", "space")
    assert t.shown == "Gate .  |"


# ---- the cursor ----


def test_moving_the_cursor_makes_the_open_word_text_as_it_is_shown() -> None:
    t = typist()
    t.words("gate")
    t.type("open")
    assert t.session.move(2)
    assert t.shown == "Ga|te open"
    assert t.session.move_by(-1)
    assert t.shown == "G|ate open"
    assert t.session.move(99)
    assert t.shown == "Gate open|"
    assert not t.session.move(9)


def test_words_keep_their_touches_and_open_under_the_cursor() -> None:
    t = typist()
    t.words("gate open later")
    t.session.move(7)
    assert t.shown == "Gate op|en later "
    assert t.session.reopen()
    assert t.session.word == "open"
    assert t.shown == "Gate op|en later "
    t.session.accept(0)
    t.session.commit()
    assert t.shown == "Gate open |later "


def test_a_touch_inside_a_word_goes_between_its_touches() -> None:
    t = typist()
    t.words("see")
    t.type("lter")
    t.session.commit()
    t.session.move(5)
    assert t.shown.startswith("See l|")
    t.type("a")
    assert t.session.word == "later"
    assert t.shown == "See la|ter "
    t.session.delete()
    t.session.delete()
    t.session.undo()
    t.session.undo()
    t.session.commit()
    assert t.shown == "See later |"


def test_delete_before_the_first_touch_of_a_word_goes_on_in_the_word_before() -> None:
    t = typist()
    t.words("gate open")
    t.session.move(5)
    t.session.reopen()
    assert t.session.word == "open"
    assert t.shown == "Gate |open "
    t.session.delete()
    assert t.session.word == "Gate"
    assert t.shown == "Gate| open "
    t.session.delete()
    assert len(t.session.touches) == 3
    assert t.session.text.endswith(" open ")


def test_a_word_put_in_the_middle_keeps_one_space_on_either_side() -> None:
    t = typist()
    t.words("gate open")
    for position in (4, 5):
        t.session.move(position)
        t.type("no")
        assert t.session.text == "Gate no open "
        t.session.commit()
        assert t.shown == "Gate no |open "
        for _ in range(3):
            t.session.delete()
        assert t.session.text == "Gate open "


def test_a_word_put_at_the_start_gets_a_space_after_it() -> None:
    t = typist()
    t.words("gate")
    t.session.move(0)
    t.type("at")
    assert t.shown == "At| Gate "
    t.session.mark(",")
    assert t.shown == "At, |Gate "


def test_a_space_inside_a_word_splits_it_and_its_touches() -> None:
    t = typist()
    t.session.spell(True)
    t.type("seeyou")
    t.session.commit()
    t.session.spell(False)
    t.session.move(3)
    t.session.space()
    assert t.shown == "see |you "
    t.session.move(3)
    t.session.reopen()
    assert len(t.session.touches) == 3
    t.session.move(7)
    t.session.reopen()
    assert len(t.session.touches) == 3


def test_there_are_no_candidates_inside_a_word_that_is_not_open() -> None:
    t = typist()
    t.words("gate")
    t.session.move(2)
    assert t.session.candidates == ()
    assert not t.session.accept(0)


# ---- letters outside a-z ----


def test_letters_outside_a_to_z_are_letters_like_others() -> None:
    words = ("жё", "λöß", "äñ", "öl")
    decoder = FakeDecoder(wide_pad(), words)
    t = Typist(Session(decoder), decoder)
    t.words("öl жё")
    assert t.session.text == "Öl жё "
    t.session.shift()
    t.type("äñ")
    t.session.mark("!")
    assert t.session.text == "Öl жё Äñ! "
    t.session.caps_lock()
    t.type("λöß")
    t.session.commit()
    assert t.session.text == "Öl жё Äñ! ΛÖSS "


# ---- input that is not usable ----


@pytest.mark.parametrize("x", [float("nan"), float("inf")])
def test_a_touch_that_is_nowhere_is_refused_and_changes_nothing(x: float) -> None:
    t = typist()
    with pytest.raises(NearkeyError, match="tap: x"):
        t.session.tap(x, 0.0)
    with pytest.raises(NearkeyError, match="time_s"):
        t.session.tap(0.0, 0.0, x)
    assert t.session.text == ""


def test_text_with_half_a_character_is_refused() -> None:
    t = typist()
    for verb in (t.session.insert, t.session.mark, t.session.add_word, t.session.pick):
        with pytest.raises(NearkeyError, match="surrogate"):
            verb("\ud800")


def test_a_decoder_that_finds_nothing_leaves_the_letters_as_touched() -> None:
    t = typist()
    t.type("qzxqzx")
    assert t.session.text == "qzxqzx"
    decoder = FakeDecoder(words=())
    decoder.candidates = lambda *_, **__: []  # type: ignore[method-assign]
    t = Typist(Session(decoder), decoder)
    t.type("gate")
    assert t.session.candidates[0].kind == "spelled"
    assert t.session.text == "gate"


def test_what_the_decoder_is_told_begins_at_the_same_place_for_many_words() -> None:
    """A decoder that remembers reads one word more after each, not the whole text anew."""
    t = typist(context_chars=40)
    told: list[str] = []
    ask = t.decoder.candidates

    def heard(points, *, context="", **options):
        if not told or context != told[-1]:
            told.append(context)
        return ask(points, context=context, **options)

    t.decoder.candidates = heard  # type: ignore[method-assign]
    for _ in range(10):
        t.words("see you at the gate")
        assert t.session.candidates
    text = t.session.text
    anew = [a for a, b in pairwise(told) if not b.startswith(a)]
    assert len(text) > 190
    assert len(told) >= 50
    assert len(anew) == len(text) // 40 - 1
    for context in told:
        whole = text.startswith(context)
        assert (len(context) <= 80) if whole else (40 - len("station") <= len(context) <= 80)
    assert text.endswith(told[-1]), "nothing near the cursor is left out"


def test_what_a_commit_would_show_is_asked_for_beforehand_and_nothing_changes() -> None:
    t = typist()
    told: list[tuple[int, str]] = []
    ask = t.decoder.candidates

    def heard(points, *, context="", **options):
        told.append((len(points), context))
        return ask(points, context=context, **options)

    t.decoder.candidates = heard  # type: ignore[method-assign]
    noticed: list[object] = []
    t.session.observe(noticed.append)
    t.type("gate")
    before, seen = t.session.state, len(noticed)
    t.session.prefetch()
    assert told[-1] == (0, "Gate ")
    assert t.session.state is before
    assert len(noticed) == seen
    t.session.commit()
    assert t.session.candidates
    assert told[-1] == (0, "Gate "), "the very question that the commit asks"
    n = len(told)
    t.session.prefetch()  # nothing is open: there is nothing to prefetch
    assert len(told) == n
