"""A simulated typist drives a live session; what the study log measures is what the typist counted, exactly.

The distance is rapidfuzz's; the formulas are written out here from their sources (see docs/study.md), not taken
from the measures.
"""

from __future__ import annotations

import numpy as np
import pytest
from rapidfuzz.distance import Levenshtein

import nearkey as nk
from nearkey.errors import PlanError
from nearkey.session import Session, SessionLog
from nearkey.simulate.session_typist import SessionTypist, TypistParameters
from nearkey.study import StudyLog, StudyLogRecorder, StudyLogWriter, measures
from nearkey.touch import GaussianTouch

pytestmark = pytest.mark.reference

# Invented notes of surveyors.
PHRASES = [
    "bring the long staff to the north gate",
    "peg seven is lost near the kerb",
    "don't move the tripod before noon",
    "the old datum stands by the road",
]


def pad(name):
    base = nk.Layout.named("qwerty").fitted(24.0, 12.0)
    return base if name == "26 keys" else next(nk.grid_layouts(base, rows=2, columns=3))


def type_phrases(english, name, seed, recorder, parameters):
    layout = pad(name)
    touch = GaussianTouch.from_layout(layout, spread_mm=1.4)
    session = Session(nk.Decoder(layout, touch, english), clock=lambda: 0.0)
    typist = SessionTypist(
        session, layout, touch, np.random.default_rng(seed), parameters=parameters
    )
    tallies = []
    for phrase in PHRASES:
        recorder.prompt(phrase, typist.time_s)
        stop = session.observe(SessionLog(recorder))
        tallies.append(typist.phrase(phrase))
        stop()
        recorder.end(typist.time_s)
        session.clear(time_s=typist.time_s)
    return tallies


@pytest.mark.parametrize("name", ["26 keys", "grid"])
@pytest.mark.parametrize("seed", range(4))
def test_every_measure_is_what_the_typist_counted(english, name, seed):
    parameters = TypistParameters(slip=0.15, undo=0.4)
    recorder = StudyLogRecorder(participant="double", condition="pad", origin="simulated")
    tallies = type_phrases(english, name, seed, recorder, parameters)
    found = measures(recorder.log())
    assert len(found.phrases) == len(PHRASES)
    assert sum(t.fixes for t in tallies) > 5
    for presented, tally, measured in zip(PHRASES, tallies, found.phrases, strict=True):
        counts = measured.counts
        transcribed = tally.text.rstrip()
        assert measured.transcribed == transcribed
        assert counts.keystrokes == tally.presses
        assert counts.taps == tally.taps
        assert counts.fixes == tally.fixes
        assert counts.incorrect_fixed == tally.taken_back
        assert dict(counts.ranks) == dict(tally.ranks)
        seconds = tally.times_s[-1] - tally.times_s[0]
        assert counts.seconds == seconds
        # The typist commits every word, the last one too: with a key, which leaves a space.
        assert tally.text == transcribed + " "
        entered = len(transcribed) + 1
        assert measured.wpm == pytest.approx((entered - 1) / seconds * 60 / 5, rel=1e-12)
        assert measured.kspc == tally.presses / entered
        assert measured.gestures_per_character == measured.kspc  # every press is an action
        wrong = Levenshtein.distance(presented, transcribed)
        longest = max(len(presented), len(transcribed))
        fixed, fixes = tally.taken_back, tally.fixes
        right = longest - wrong
        everything = right + wrong + fixed
        assert measured.msd_error_percent == pytest.approx(100 * wrong / longest)
        assert measured.total_error_percent == pytest.approx(100 * (wrong + fixed) / everything)
        assert measured.uncorrected_error_percent == pytest.approx(100 * wrong / everything)
        assert measured.corrected_error_percent == pytest.approx(100 * fixed / everything)
        assert measured.utilised_bandwidth == pytest.approx(right / (everything + fixes))
        if fixes:
            assert measured.correction_efficiency == pytest.approx(fixed / fixes)
        if fixed + wrong:
            assert measured.conscientiousness == pytest.approx(fixed / (fixed + wrong))


def test_a_log_on_disk_gives_the_same_measures(english, tmp_path):
    parameters = TypistParameters(slip=0.15, undo=0.4)
    recorder = StudyLogRecorder(participant="double", condition="pad", origin="simulated")
    type_phrases(english, "grid", 9, recorder, parameters)
    path = tmp_path / "log.jsonl"
    with StudyLogWriter(path, participant="double", condition="pad", origin="simulated") as writer:
        type_phrases(english, "grid", 9, writer, parameters)
    read = measures(StudyLog.read(path))
    assert read.to_dicts("phrase") == measures(recorder.log()).to_dicts("phrase")
    assert read.origins == ("simulated",)


def test_a_typist_without_slips_types_every_letter_once(english):
    """Perfect touches on 26 keys: the keystrokes are the letters, spaces and choices."""
    layout = pad("26 keys")
    touch = GaussianTouch.from_layout(layout, spread_mm=0.05)
    session = Session(nk.Decoder(layout, touch, english), clock=lambda: 0.0)
    recorder = StudyLogRecorder(participant="double", condition="pad", origin="simulated")
    session.observe(SessionLog(recorder))
    typist = SessionTypist(
        session, layout, touch, np.random.default_rng(0), parameters=TypistParameters(slip=0.0)
    )
    recorder.prompt(PHRASES[0], 0.0)
    tally = typist.phrase(PHRASES[0])
    recorder.end(typist.time_s)
    phrase = measures(recorder.log()).phrases[0]
    assert phrase.transcribed.lower() == PHRASES[0]
    letters = len(PHRASES[0].replace(" ", ""))
    words = len(PHRASES[0].split())
    assert phrase.counts.taps == letters == tally.taps
    assert phrase.counts.keystrokes == letters + words + sum(n for r, n in tally.ranks.items() if r)
    assert phrase.counts.fixes == 0


@pytest.mark.parametrize("auto_capitals", [True, False])
def test_flawless_typing_of_small_letters_is_flawless_where_case_is_left_alone(
    english, auto_capitals
):
    layout = pad("26 keys")
    touch = GaussianTouch.from_layout(layout, spread_mm=0.05)
    session = Session(
        nk.Decoder(layout, touch, english), clock=lambda: 0.0, auto_capitals=auto_capitals
    )
    recorder = StudyLogRecorder(participant="double", condition="pad", origin="simulated")
    phrases = [phrase for phrase in PHRASES if "'" not in phrase]
    typist = SessionTypist(
        session, layout, touch, np.random.default_rng(0), parameters=TypistParameters(slip=0.0)
    )
    for phrase in phrases:
        recorder.prompt(phrase, typist.time_s)
        stop = session.observe(SessionLog(recorder))
        typist.phrase(phrase)
        stop()
        recorder.end(typist.time_s)
        session.clear(time_s=typist.time_s)
    found = measures(recorder.log())
    errors = [phrase.total_error_percent for phrase in found.phrases]
    if auto_capitals:  # the capital that begins each phrase
        assert min(errors) > 0
        ignoring = measures(recorder.log(), ignore_case=True)
        assert [phrase.total_error_percent for phrase in ignoring.phrases] == [0.0] * len(phrases)
    else:
        assert errors == [0.0] * len(phrases)
        assert [phrase.word_error_percent for phrase in found.phrases] == [0.0] * len(phrases)


def test_a_private_session_leaves_no_log(english):
    layout = pad("26 keys")
    touch = GaussianTouch.from_layout(layout, spread_mm=0.5)
    session = Session(nk.Decoder(layout, touch, english), private=True, clock=lambda: 0.0)
    recorder = StudyLogRecorder(participant="double", condition="pad", origin="simulated")
    session.observe(SessionLog(recorder))
    recorder.prompt("the", 0.0)
    SessionTypist(session, layout, touch, np.random.default_rng(0)).phrase("the")
    recorder.end(9.0)
    assert [type(e).__name__ for e in recorder.log().events] == ["PromptRecord", "EndRecord"]


def test_keys_that_a_touch_might_hit_by_mistake_are_refused(english):
    layout = nk.Layout.named("e161")
    touch = GaussianTouch.from_layout(layout, spread_mm=1.0)
    session = Session(nk.Decoder(layout, touch, english))
    with pytest.raises(PlanError, match="keys without letters"):
        SessionTypist(session, layout, touch, np.random.default_rng(0))
