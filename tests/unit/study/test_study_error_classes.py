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
            log.event(kind, float(i))
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
    assert entry.kspc == pytest.approx(4 / 3)
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


def test_cursor_keys_are_fixes_without_text() -> None:
    phrase = _phrase("pin", [*_typed("p", "pi", "pin"), ("cursor", "")])
    assert (phrase.counts.fixes, phrase.counts.keystrokes, phrase.transcribed) == (1, 4, "pin")


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
