"""Case and punctuation are compared as the study says; speed and keystrokes are of what was typed."""

from __future__ import annotations

import pytest

from nearkey.study import StudyLogRecorder, compared_text, measures


def _log(presented: str, transcribed: str):
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    log.prompt(presented, 0.0)
    for i in range(len(transcribed)):
        log.event("tap", float(i), text=transcribed[: i + 1])
    log.end(99.0)
    return log.log()


def test_case_and_punctuation_count_unless_ignored() -> None:
    # By hand: of 12 characters, G and the full stop differ.
    log = _log("gate is open", "Gate is open.")
    assert measures(log).phrases[0].counts.incorrect_not_fixed == 2
    assert measures(log, ignore_case=True).phrases[0].counts.incorrect_not_fixed == 1
    assert measures(log, ignore_punctuation=True).phrases[0].counts.incorrect_not_fixed == 1
    both = measures(log, ignore_case=True, ignore_punctuation=True)
    assert both.phrases[0].msd_error_percent == 0.0
    assert both.phrases[0].word_error_percent == 0.0
    assert both.ignored == ("case", "punctuation")
    assert "texts compared without case and punctuation" in str(both)
    assert measures(log).phrases[0].word_error_percent == pytest.approx(200 / 3)


def test_speed_and_keystrokes_are_those_of_the_text_typed() -> None:
    log = _log("gate is open", "Gate is open.")
    strict, loose = measures(log), measures(log, ignore_case=True, ignore_punctuation=True)
    for name in ("wpm", "kspc", "gestures_per_character", "keystroke_savings_percent"):
        assert getattr(loose.phrases[0], name) == getattr(strict.phrases[0], name)
    assert loose.phrases[0].kspc == 1.0


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("Don't stop.", "Dont stop"),
        ("wait - what?", "wait what"),
        (
            "3 % of 5 €",
            "3 of 5 €",
        ),  # a per-cent sign is punctuation to Unicode, a currency sign a symbol
        ("  two  words ", "two words"),
    ],
)
def test_what_punctuation_is(text: str, left: str) -> None:
    assert compared_text(text, ignore_punctuation=True) == left


def test_own_normalising_comes_first() -> None:
    assert compared_text("GATE!", normalise=str.lower, ignore_punctuation=True) == "gate"
    assert compared_text("Straße", ignore_case=True) == compared_text("STRASSE", ignore_case=True)
