"""A participant's way through a plan: trials, logs, rests, and going on after an interruption."""

from __future__ import annotations

from pathlib import Path

import pytest
from session_fakes import FakeDecoder

from nearkey.errors import PlanError, StudyLogError
from nearkey.session import Session
from nearkey.session.study_sitting import StudySitting, told_trials
from nearkey.study import BlockPlan, StudyLog, StudyPlan, measures, plan_study


def plan() -> StudyPlan:
    return plan_study(
        ["p1", "p2"],
        ["grid", "rows"],
        ["see you", "the gate", "pen", "road", "no"],
        seed=3,
        blocks=1,
        phrases_per_block=1,
        practice_phrases=1,
        rest_s=30.0,
    )


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        self.now += 0.5
        return self.now


def sitting(
    folder: Path, participant: str = "p1", own: StudyPlan | None = None, **options: object
) -> StudySitting:
    return StudySitting(
        own or plan(),
        participant,
        folder,
        lambda condition: Session(FakeDecoder(), auto_capitals=False),
        origin="invented",
        clock=Clock(),
        **options,  # type: ignore[arg-type]
    )


def type_phrase(own: StudySitting, session: Session, condition: str, text: str) -> None:
    decoder = FakeDecoder()
    for word in text.split():
        for letter in word:
            session.tap(*decoder.center(letter), own.now(condition))
        session.commit(time_s=own.now(condition))


def test_all_phrases_in_the_order_of_the_plan(tmp_path: Path) -> None:
    blocks = plan().of("p1")
    with sitting(tmp_path) as own:
        seen = []
        while (trial := own.next()) is not None:
            assert (trial.done, trial.total) == (len(seen), 4)
            if trial.rest_s and trial.done:
                own.rest(trial, 31.5)
            session = own.begin(trial)
            assert session.text == ""
            type_phrase(own, session, trial.block.condition, trial.phrase)
            assert own.end().strip() == trial.phrase
            seen.append(trial.phrase)
    assert seen == [phrase for block in blocks for phrase in block.phrases]
    logs = [StudyLog.read(path) for path in sorted(tmp_path.glob("*.jsonl"))]
    assert [log.header.condition for log in logs] == ["grid", "rows"]
    assert all(log.header.started for log in logs)
    found = measures(logs)
    assert [phrase.total_error_percent for phrase in found.phrases] == [0.0, 0.0]
    assert found.reasons == "2 practice"
    rests = [e.seconds for log in logs for e in log.events if type(e).__name__ == "RestRecord"]
    assert rests == [31.5] * 3


def test_it_goes_on_where_the_logs_stop_and_an_open_trial_comes_again(tmp_path: Path) -> None:
    first = sitting(tmp_path)
    trial = first.next()
    assert trial is not None
    type_phrase(first, first.begin(trial), trial.block.condition, trial.phrase)
    first.end()
    again = first.next()
    assert again is not None
    first.begin(again)
    first.close()  # in the middle of the second phrase
    with sitting(tmp_path) as second:
        on = second.next()
        assert on is not None
        assert (on.block, on.trial, on.done) == (again.block, again.trial, 1)
        type_phrase(second, second.begin(on), on.block.condition, on.phrase)
        second.end()
    log = StudyLog.read(tmp_path / f"p1-{trial.block.condition}.jsonl")
    assert [one.state for one in log.trials()] == ["done", "aborted", "done"]
    times = [event.t for event in log.events]
    assert times == sorted(times)


def test_undo_brings_back_nothing_of_the_phrase_before(tmp_path: Path) -> None:
    with sitting(tmp_path) as own:
        for _ in range(2):  # practice, and the block after it: one condition
            trial = own.next()
            assert trial is not None
            session = own.begin(trial)
            assert not session.undo(time_s=own.now(trial.block.condition))
            assert session.text == ""
            type_phrase(own, session, trial.block.condition, trial.phrase)
            own.end()


@pytest.mark.parametrize("positions", [(1, 2, 3), (1, 1, 1)])
def test_blocks_that_a_plan_numbers_alike_are_typed_one_after_the_other(
    tmp_path: Path, positions: tuple[int, ...]
) -> None:
    # Written by hand: nothing but the phrases tells the blocks apart, or not even the position.
    phrases = (("see you",), ("the gate", "pen"), ("road",))
    blocks = tuple(
        BlockPlan("p1", "grid", position, 1, practice=False, rest_s=0.0, phrases=own)
        for position, own in zip(positions, phrases, strict=True)
    )
    by_hand = StudyPlan(("grid",), 0, balanced=False, blocks=blocks)
    typed: list[str] = []
    for place in ((1, 1), (2, 1), (2, 2), (3, 1)):  # each in a sitting of its own
        with sitting(tmp_path, own=by_hand) as own:
            trial = own.next()
            assert trial is not None
            assert (trial.place, trial.done, trial.total) == (place, len(typed), 4)
            type_phrase(own, own.begin(trial), "grid", trial.phrase)
            typed.append(own.end().strip())
    assert typed == ["see you", "the gate", "pen", "road"]
    with sitting(tmp_path, own=by_hand) as own:
        assert own.next() is None
    log = StudyLog.read(tmp_path / "p1-grid.jsonl")
    last = next(i for i, event in enumerate(log.events) if getattr(event, "text", "") == "road")
    torn = StudyLog(log.header, log.events[: last + 1])
    assert told_trials(blocks, [torn]) == ({(1, 1), (2, 1), (2, 2)}, (3, 1))


def test_a_keyboard_in_the_place_of_the_pad_logs_no_touches(tmp_path: Path) -> None:
    with sitting(tmp_path, log_touches=False, device="keyboard") as own:
        trial = own.next()
        assert trial is not None
        type_phrase(own, own.begin(trial), trial.block.condition, trial.phrase)
        own.end()
    log = StudyLog.read(next(tmp_path.glob("*.jsonl")))
    taps = [event for event in log.events if type(event).__name__ == "TapRecord"]
    assert taps
    assert all(tap.x is None and tap.y is None and tap.key for tap in taps)
    assert log.header.device == "keyboard"


def test_what_cannot_be_done_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="participant: 'p9' is not in the plan"):
        sitting(tmp_path, "p9")
    with sitting(tmp_path) as own, pytest.raises(StudyLogError, match="no trial is open"):
        own.end()
    with sitting(tmp_path) as own:
        trial = own.next()
        assert trial is not None
        own.begin(trial)
    made = next(tmp_path.glob("p1-*.jsonl"))
    made.rename(tmp_path / made.name.replace("p1", "p2"))
    with pytest.raises(StudyLogError, match="participant: is 'p1', not 'p2'"):
        sitting(tmp_path, "p2")
