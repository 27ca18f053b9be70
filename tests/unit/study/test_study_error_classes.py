"""Error classes on streams worked by hand (each case says how): no outside source has word steps."""

from __future__ import annotations

import math

import pytest

from nearkey.study import Measures, PhraseMeasures, StudyLogRecorder, measures
from nearkey.study.phrase_counts import Selection


def _phrase(
    prompt: str, steps: list[tuple[str, str]], *, selection: Selection = "entry", **fields: int
) -> PhraseMeasures:
    """One step a second; a step is (event type, text after it)."""
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt(prompt, 0.0)
    for i, (kind, text) in enumerate(steps):
        extra = dict(fields) if kind == "accept" else {}
        if kind == "cursor":
            log.event(kind, float(i), **({"position": int(text)} if text else {}))
        else:
            log.event(kind, float(i), text=text, **extra)
    log.end(float(len(steps)))
    measured: Measures = measures(log.log(), selection=selection)
    return measured.phrases[0]


def _typed(*texts: str) -> list[tuple[str, str]]:
    """Taps, or deletes where the text gets shorter."""
    out, before = [], ""
    for text in texts:
        out.append(("delete" if len(text) < len(before) else "tap", text))
        before = text
    return out


def test_letters_with_an_error_fixed_and_two_left() -> None:
    # By hand. P "set the pin" (11), T "set he pinn" (11): t left out, n put in: MSD 2, C = 9.
    # Stream: an x typed and deleted (IF 1, F 1); 12 letter keys + 1 delete = 13 keystrokes.
    phrase = _phrase(
        "set the pin",
        _typed(
            *("s", "se", "sex", "se", "set", "set ", "set h", "set he", "set he "),
            *("set he p", "set he pi", "set he pin", "set he pinn"),
        ),
    )
    counts = phrase.counts
    assert (counts.correct, counts.incorrect_not_fixed) == (9, 2)
    assert (counts.incorrect_fixed, counts.fixes, counts.keystrokes) == (1, 1, 13)
    assert phrase.total_error_percent == pytest.approx(100 * 3 / 12)
    assert phrase.corrected_error_percent == pytest.approx(100 * 1 / 12)
    assert phrase.uncorrected_error_percent == pytest.approx(100 * 2 / 12)
    assert phrase.correction_efficiency == 1.0
    assert phrase.conscientiousness == pytest.approx(1 / 3)
    assert phrase.utilised_bandwidth == pytest.approx(9 / 13)
    assert phrase.wasted_bandwidth == pytest.approx(4 / 13)
    assert phrase.kspc == pytest.approx(13 / 11)
    assert phrase.wpm == pytest.approx(10 / 12 * 12)


def test_a_correct_letter_taken_back_counts_as_fixed() -> None:
    # By hand: "pan", the n and the a deleted though a was right up to there: IF 2, F 2.
    phrase = _phrase("pin", _typed("p", "pa", "pan", "pa", "p", "pi", "pin"))
    assert (phrase.counts.incorrect_fixed, phrase.counts.fixes) == (2, 2)
    assert phrase.counts.correct == 3


def test_a_decoder_respelling_the_word_causes_no_error() -> None:
    # By hand: the third touch turns "oi" into "pin": one letter re-spelled, three keystrokes stand.
    phrase = _phrase("pin", [("tap", "o"), ("tap", "oi"), ("tap", "pin")])
    assert phrase.counts.incorrect_fixed == 0
    assert phrase.counts.fixes == 0
    assert phrase.counts.respelled_by_decoder == 1
    assert phrase.kspc == 1.0
    # Taking the last touch back re-spells "pin" to "oi": one character off, not two.
    phrase = _phrase(
        "pin", [("tap", "o"), ("tap", "oi"), ("tap", "pin"), ("delete", "oi"), ("tap", "pin")]
    )
    assert (phrase.counts.incorrect_fixed, phrase.counts.fixes) == (1, 1)


def test_choosing_another_candidate_as_entry_and_as_fix() -> None:
    # By hand: "pun" -> "pin " by one choice: one letter re-spelled, a space gained.
    steps = [("tap", "p"), ("tap", "pu"), ("tap", "pun"), ("accept", "pin ")]
    entry = _phrase("pin", steps, rank=1)
    assert (entry.counts.incorrect_fixed, entry.counts.fixes) == (0, 0)
    assert entry.counts.respelled_by_selection == 1
    assert dict(entry.counts.ranks) == {1: 1}
    assert (entry.first_candidate_share, entry.mean_rank) == (0.0, 2.0)
    # The choice closes the word: four keys for "pin" and the space it leaves.
    assert (entry.kspc, entry.counts.entered) == (1.0, 4)
    fix = _phrase("pin", steps, selection="fix", rank=1)
    assert (fix.counts.incorrect_fixed, fix.counts.fixes) == (1, 1)
    # Choosing what is shown already repairs nothing, in either reading.
    same = _phrase("pun", [*steps[:3], ("accept", "pun ")], selection="fix", rank=0)
    assert (same.counts.incorrect_fixed, same.counts.fixes) == (0, 0)


def test_a_choice_that_shortens_the_text() -> None:
    # By hand, with the papers' pair: "qucehkly" -> "quickly" is MSD 3, of which one is length.
    steps = [("text", "qucehkly"), ("accept", "quickly")]
    entry = _phrase("quickly", steps, rank=0)
    assert entry.counts.respelled_by_selection == 2
    assert entry.counts.incorrect_fixed == 0
    fix = _phrase("quickly", steps, selection="fix", rank=0)
    assert (fix.counts.incorrect_fixed, fix.counts.fixes) == (3, 1)


def test_deleting_a_word_at_once_is_one_fix() -> None:
    # By hand: four characters off with one keystroke: IF 4, F 1, efficiency 4.
    phrase = _phrase("pin", [("text", "pole"), ("delete", ""), ("text", "pin")])
    assert (phrase.counts.incorrect_fixed, phrase.counts.fixes) == (4, 1)
    assert phrase.correction_efficiency == 4.0


def test_undo_of_a_delete_puts_the_characters_back() -> None:
    # By hand: pin typed, n deleted, the delete undone: nothing of the input is lost, two fixes.
    steps = [*_typed("p", "pi", "pin"), ("delete", "pi"), ("undo", "pin")]
    phrase = _phrase("pin", steps)
    assert (phrase.counts.incorrect_fixed, phrase.counts.fixes) == (0, 2)
    # Undone and done again: off again, three fixes.
    phrase = _phrase("pi", [*steps, ("redo", "pi")])
    assert (phrase.counts.incorrect_fixed, phrase.counts.fixes) == (1, 3)


def test_cursor_moves_are_fixes_without_text_and_mode_keys_are_neither() -> None:
    moved = _phrase("pin", [*_typed("p", "pi", "pin"), ("cursor", "1")])
    assert (moved.counts.fixes, moved.counts.keystrokes, moved.transcribed) == (1, 4, "pin")
    assert moved.counts.mode_keys == 0
    # By hand: shift, P, i, n: a keystroke more than characters, nothing fixed, all the bandwidth utilised.
    shifted = _phrase("Pin", [("cursor", ""), *_typed("P", "Pi", "Pin")])
    assert (shifted.counts.fixes, shifted.counts.mode_keys) == (0, 1)
    assert shifted.kspc == pytest.approx(4 / 3)
    assert shifted.utilised_bandwidth == 1.0


def test_perfect_typing_is_one_keystroke_a_character_and_loses_no_speed() -> None:
    # By hand: "pin on" and the space that closes it, a key a second: 7 keys, 7 characters, 6 of them timed in 6 s.
    closed = _phrase("pin on", _typed("p", "pi", "pin", "pin ", "pin o", "pin on", "pin on "))
    assert (closed.kspc, closed.gestures_per_character) == (1.0, 1.0)
    assert closed.keystroke_savings_percent == 0.0
    assert closed.wpm == pytest.approx(12.0)
    assert (closed.msd_error_percent, closed.word_error_percent) == (0.0, 0.0)
    # The same without the closing space: the same figures.
    bare = _phrase("pin on", _typed("p", "pi", "pin", "pin ", "pin o", "pin on"))
    assert (bare.kspc, bare.wpm) == (1.0, pytest.approx(12.0))
    # A second space is a key too many, not a character.
    twice = _phrase("pin", _typed("p", "pi", "pin", "pin ", "pin  "))
    assert twice.kspc == pytest.approx(5 / 4)
    # A space nobody pressed a key for counts in neither.
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt("pin", 0.0)
    for t, text in enumerate(("p", "pi", "pin")):
        log.event("tap", float(t), text=text)
    log.event("commit", 9.0, text="pin ", presses=0)
    log.end(9.0)
    phrase = measures(log.log()).phrases[0]
    assert (phrase.kspc, phrase.wpm, phrase.counts.entered) == (1.0, 12.0, 3)


def test_savings_gestures_and_word_errors() -> None:
    # By hand: "the level" by two letters and a choice each, the choices two presses: 8 keystrokes, 6 gestures, 10
    # characters with the closing space; "level" came out as "lever": one word of two.
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt("the level", 0.0)
    for t, (kind, text, presses) in enumerate(
        (
            *(("tap", "t", 1), ("tap", "th", 1), ("accept", "the ", 2)),
            *(("tap", "the l", 1), ("tap", "the le", 1), ("accept", "the lever ", 2)),
        )
    ):
        rank = {"rank": 1} if kind == "accept" else {}
        log.event(kind, float(t), text=text, presses=presses, **rank)
    log.end(9.0)
    phrase = measures(log.log()).phrases[0]
    assert phrase.counts.entered == 10
    assert phrase.kspc == pytest.approx(0.8)
    assert phrase.gestures_per_character == pytest.approx(0.6)
    assert phrase.keystroke_savings_percent == pytest.approx(20.0)
    assert phrase.word_error_percent == pytest.approx(50.0)
    assert phrase.wpm == pytest.approx(9 / 5 * 12)
    # Words left out and put in count as in any distance: "set the pin" against "set pin here": 2 of 3.
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt("set the pin", 0.0)
    log.event("text", 0.0, text="set pin here")
    log.end(1.0)
    assert measures(log.log()).phrases[0].word_error_percent == pytest.approx(200 / 3)


def test_presses_and_moving_on() -> None:
    # By hand: three taps, two presses to reach the second word, a commit that follows of itself.
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt("pin on", 0.0)
    for t, text in enumerate(("p", "pu", "pun")):
        log.event("tap", t + 1.0, text=text)
    log.event("candidates", 3.0, words=["pun", "pin"])
    log.event("accept", 4.0, text="pin", rank=1, word="pin", presses=2)
    log.event("tap", 5.0, text="pin o")
    log.event("commit", 5.0, text="pin o", presses=0)
    log.event("tap", 6.0, text="pin on")
    log.event("commit", 9.0, text="pin on ", rank=0, presses=0)
    log.end(9.0, text="pin on ")
    phrase = measures(log.log()).phrases[0]
    assert (phrase.counts.keystrokes, phrase.counts.taps) == (7, 5)
    assert dict(phrase.counts.ranks) == {0: 1, 1: 1}
    # The clock stops at the last press, at 6 s, not at the commit that followed.
    assert phrase.counts.seconds == 5.0
    assert phrase.transcribed == "pin on"
    assert phrase.wpm == pytest.approx(5 / 5 * 12)
    assert phrase.gestures_per_character == pytest.approx(6 / 6)


def test_what_cannot_be_told_is_nan() -> None:
    phrase = _phrase("a", [("tap", "a")])
    assert math.isnan(phrase.wpm)  # one character, no time
    assert math.isnan(phrase.correction_efficiency)  # no fix
    assert math.isnan(phrase.conscientiousness)  # no error
    assert math.isnan(phrase.mean_rank)  # no candidate taken
    assert phrase.utilised_bandwidth == 1.0
    gone = _phrase("a", [("tap", "b"), ("delete", "")])
    assert math.isnan(gone.kspc)
    assert (gone.msd_error_percent, gone.counts.incorrect_fixed) == (100.0, 1)
