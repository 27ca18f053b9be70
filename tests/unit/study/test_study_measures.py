"""Levels, pooling, what is left out, confusion matrix, printing."""

from __future__ import annotations

import json
import math
import sys

import pytest

from nearkey.errors import NearkeyError, StudyLogError
from nearkey.study import (
    METRICS,
    StudyLog,
    StudyLogRecorder,
    bootstrap_mean,
    compare_conditions,
    learning_curve,
    measures,
)


def _log(
    participant: str,
    condition: str,
    phrases: list[tuple[int, str, str, float]],
    *,
    session: int = 1,
) -> StudyLog:
    """phrases: (block, presented, transcribed, seconds); letters evenly spread over the time."""
    log = StudyLogRecorder(
        participant=participant, condition=condition, origin="invented", session=session
    )
    for block, presented, transcribed, seconds in phrases:
        log.prompt(presented, 0.0, block=block)
        for i in range(len(transcribed)):
            log.event("tap", seconds * i / (len(transcribed) - 1), text=transcribed[: i + 1])
        log.end(seconds + 1.0)
    return log.log()


def test_blocks_pool_and_participants_weigh_the_same() -> None:
    # By hand: 11 characters are 10 timed ones. p1: 10 s and 30 s -> 20 chars in 40 s = 6 WPM
    # (phrases 12 and 4, mean 8). p2: 20 s -> 6 WPM ... and 5 s -> 24 WPM in block 2.
    eleven = "site office"
    measured = measures(
        [
            _log("p1", "grid", [(1, eleven, eleven, 10.0), (1, eleven, eleven, 30.0)]),
            _log("p2", "grid", [(1, eleven, eleven, 20.0), (2, eleven, eleven, 5.0)]),
        ]
    )
    assert [row.wpm for row in measured.phrases] == pytest.approx([12.0, 4.0, 6.0, 24.0])
    assert [(row.participant, row.block) for row in measured.blocks] == [
        ("p1", 1),
        ("p2", 1),
        ("p2", 2),
    ]
    assert [row.wpm for row in measured.blocks] == pytest.approx([6.0, 6.0, 24.0])
    assert measured.blocks[0].wpm_phrase_mean == pytest.approx(8.0)
    assert measured.blocks[0].wpm_phrase_sd == pytest.approx(math.sqrt(32.0))
    assert [row.wpm for row in measured.participants] == pytest.approx([6.0, 20 / 25 * 12])
    wpm = measured.conditions[0].estimates["wpm"]
    assert wpm.mean == pytest.approx((6.0 + 9.6) / 2)
    assert wpm.n == 2
    # Two people: t with one degree of freedom is 12.706 in any printed table; sd 1.8 sqrt 2, so half is 12.706 x 1.8,
    # which reaches below zero, where no speed is.
    assert wpm.low == 0.0
    assert wpm.high == pytest.approx(7.8 + 12.706 * 1.8, rel=1e-4)
    assert measured.overall.estimates["wpm"] == wpm


def test_bootstrap_intervals_are_there_for_those_who_want_them() -> None:
    # Of two people's means, 6 and 9.6, resampling makes 6, 7.8 or 9.6: the percentiles are the ends.
    eleven = "site office"
    logs = [
        _log("p1", "grid", [(1, eleven, eleven, 20.0)]),
        _log("p2", "grid", [(1, eleven, eleven, 12.5)]),
    ]
    measured = measures(logs, interval="bootstrap")
    wpm = measured.conditions[0].estimates["wpm"]
    assert (wpm.low, wpm.high) == pytest.approx((6.0, 9.6))
    assert "(percentile bootstrap, too narrow for few people)" in str(measured)
    with pytest.raises(StudyLogError, match="interval: is 'exact'; use one of t, bootstrap"):
        measures(logs, interval="exact")  # type: ignore[arg-type]


def test_phrases_that_a_crash_broke_into_are_left_out_and_named() -> None:
    # By hand: 10 timed characters in 10 s are 12 WPM; the broken phrase took a minute of which most was no typing.
    log = StudyLogRecorder(participant="p1", condition="grid", origin="invented")
    for seconds, extra in (
        (10.0, None),
        (60.0, {"interruptions": 2}),
        (10.0, {"interruptions": 0}),
    ):
        log.prompt("site office", 0.0)
        log.event("text", 0.0, text="s")
        log.event("text", seconds, text="site office")
        log.end(seconds, extra=extra)
    measured = measures(log.log())
    assert [phrase.wpm for phrase in measured.phrases] == pytest.approx([12.0, 12.0])
    assert [(one.trial, one.reason) for one in measured.left_out] == [(2, "interrupted")]
    assert "left out: 1 interrupted" in str(measured)
    every = measures(log.log(), interrupted=True)
    assert [phrase.wpm for phrase in every.phrases] == pytest.approx([12.0, 2.0, 12.0])


def test_overall_pools_a_participants_conditions() -> None:
    measured = measures(
        [
            _log("p1", "grid", [(1, "site office", "site office", 10.0)]),
            _log("p1", "rows", [(1, "site office", "site office", 30.0)]),
        ]
    )
    assert [one.condition for one in measured.conditions] == ["grid", "rows"]
    assert measured.overall.participants == 1
    assert measured.overall.estimates["wpm"].mean == pytest.approx(6.0)
    assert math.isnan(measured.overall.estimates["wpm"].low)


def test_what_is_left_out_is_said() -> None:
    log = StudyLogRecorder(participant="p1", condition="grid", origin="person")
    log.prompt("first", 0.0, practice=True)
    log.event("tap", 1.0, text="f")
    log.end(2.0)
    log.prompt("second", 3.0)
    log.event("tap", 4.0, text="s")
    log.end(5.0, aborted=True)
    log.prompt("third", 6.0)
    log.end(7.0)
    log.prompt("fourth", 8.0)
    log.event("tap", 9.0, text="f")
    log.prompt("go", 10.0)
    log.event("tap", 11.0, text="g")
    log.event("tap", 12.0, text="go")
    log.end(13.0)
    log.prompt("last", 14.0)
    measured = measures(log.log())
    assert [(one.trial, one.reason) for one in measured.left_out] == [
        (1, "practice"),
        (2, "aborted"),
        (3, "nothing was typed"),
        (4, "unfinished"),
        (6, "unfinished"),
    ]
    assert [row.presented for row in measured.phrases] == ["go"]
    assert "left out: 1 aborted, 1 nothing was typed, 1 practice, 2 unfinished" in str(measured)
    with_practice = measures(log.log(), practice=True)
    assert [row.presented for row in with_practice.phrases] == ["first", "go"]


def test_texts_are_compared_in_nfc_without_the_space_at_the_end() -> None:
    decomposed = "cafe\u0301"
    measured = measures(_log("p1", "grid", [(1, "café", decomposed + " ", 5.0)]))
    assert measured.phrases[0].msd_error_percent == 0.0
    assert measured.phrases[0].transcribed == "café"
    assert measured.phrases[0].counts.respelled_by_decoder == 1  # e became é, as seen


def test_own_normalising() -> None:
    log = _log("p1", "grid", [(1, "Gate open", "gate open", 5.0)])
    assert measures(log).phrases[0].counts.incorrect_not_fixed == 1
    assert measures(log, normalise=str.casefold).phrases[0].counts.incorrect_not_fixed == 0


def test_confusion_matrix_weighs_all_alignments() -> None:
    # By hand: "abcd"/"acbd" has three optimal alignments: b->c and c->b once; b dropped and b put
    # in once; c put in and c dropped once. Each weighs a third.
    measured = measures(_log("p1", "grid", [(1, "abcd", "acbd", 3.0), (1, "ab", "ab", 1.0)]))
    confusion = measured.confusion()
    third = pytest.approx(1 / 3)
    assert confusion.pairs["b", "c"] == third
    assert confusion.pairs["c", "b"] == third
    assert confusion.pairs["", "b"] == third
    assert confusion.pairs["b", ""] == third
    assert confusion.pairs["", "c"] == third
    assert confusion.pairs["c", ""] == third
    assert confusion.pairs["a", "a"] == pytest.approx(2.0)
    assert confusion.pairs["b", "b"] == pytest.approx(1.0 + 1 / 3)
    assert confusion.symbols == ("a", "b", "c", "d", "")
    matrix = confusion.matrix()
    assert matrix[1, 2] == third
    assert matrix[:4].sum() == pytest.approx(6.0)  # every presented character is somewhere
    assert matrix[:, :4].sum() == pytest.approx(6.0)  # and every transcribed one
    assert confusion.error_share("b") == pytest.approx((2 / 3) / 2)
    assert math.isnan(confusion.error_share("z"))
    assert str(confusion).splitlines()[1].startswith("(nothing)")
    assert measured.confusion(participant="nobody").pairs == {}
    assert str(measured.confusion(condition="other")) == "no character came out wrong"


def test_rows_are_plain_values() -> None:
    measured = measures(
        [
            _log("p1", "grid", [(1, "ab", "ab", 1.0)]),
            _log("p2", "grid", [(1, "ab", "ba", 1.0)]),
        ]
    )
    for level in ("phrase", "block", "participant", "condition", "overall"):
        rows = measured.to_dicts(level)
        assert json.loads(json.dumps(rows))
        assert set(METRICS) <= set(rows[0])
    whole = measured.to_dict()
    assert [row["participant"] for row in whole["participant"]] == ["p1", "p2"]
    assert whole["origins"] == ["invented"]
    with pytest.raises(StudyLogError, match="level: is 'page'"):
        measured.to_dicts("page")  # type: ignore[arg-type]


def test_printed_table_names_measures_interval_and_origin() -> None:
    text = str(
        measures(
            [
                _log("p1", "grid", [(1, "ab", "ab", 1.0)]),
                _log("p2", "grid", [(1, "ab", "ba", 2.0)]),
            ]
        )
    )
    lines = text.splitlines()
    assert lines[0].split() == ["measure", "grid"]
    # By hand: 12 and 6 words per minute; 9 + 12.706 x 3 = 47.12, and no speed below 0.
    assert lines[1].split() == ["wpm", "9.00", "[0.00,", "47.12]"]
    assert "95 % interval of the mean over participants (Student's t)" in text
    assert "origin of the logs: invented" in text


def test_options_out_of_range() -> None:
    log = _log("p1", "grid", [(1, "ab", "ab", 1.0)])
    with pytest.raises(StudyLogError, match="selection: is 'none'"):
        measures(log, selection="none")  # type: ignore[arg-type]
    with pytest.raises(NearkeyError, match="confidence"):
        measures([log, _log("p2", "grid", [])], confidence=95)
    with pytest.raises(StudyLogError, match="given twice"):
        measures([log, log])


def test_a_phrase_in_next_to_no_time_has_no_spread() -> None:
    # Times as no person types and as a damaged log may have them: the speed is beyond all numbers.
    measured = measures(_log("p1", "grid", [(1, "ab", "ab", 5e-324), (1, "ab", "ab", 1.0)]))
    assert measured.phrases[0].wpm == math.inf
    assert math.isnan(measured.participants[0].wpm_phrase_sd)


def test_no_logs_no_rows() -> None:
    measured = measures([])
    assert measured.phrases == ()
    assert measured.conditions == ()
    assert measured.overall.participants == 0
    assert math.isnan(measured.overall.estimates["wpm"].mean)


def test_bootstrap_is_seeded_and_covers_the_mean() -> None:
    values = [9.0, 10.0, 12.0, 15.0, 11.0]
    found = bootstrap_mean(values, seed=4)
    assert bootstrap_mean(values, seed=4) == found
    assert bootstrap_mean(values, seed=5) != found
    assert found.low < found.value == sum(values) / 5 < found.high
    wide = bootstrap_mean(values, confidence=0.99, seed=4)
    assert wide.low < found.low
    assert wide.high > found.high
    with pytest.raises(NearkeyError, match="resamples"):
        bootstrap_mean(values, resamples=0)


def test_learning_curve_per_person_and_averaged() -> None:
    # Each block's speed is set: 10 N^0.2 for p1, 8 N^0.1 for p2, over two sessions of two blocks.
    text = "site office"

    def sitting(name: str, a: float, x: float, session: int) -> StudyLog:
        rows = [
            (block, text, text, 120.0 / (a * (2 * (session - 1) + block) ** x)) for block in (1, 2)
        ]
        return _log(name, "grid", rows, session=session)

    measured = measures(
        [
            sitting("p1", 10.0, 0.2, 1),
            sitting("p1", 10.0, 0.2, 2),
            sitting("p2", 8.0, 0.1, 1),
            sitting("p2", 8.0, 0.1, 2),
        ]
    )
    curve = learning_curve(measured)
    first, second = curve.participants
    assert first.blocks == (1, 2, 3, 4)
    assert first.fit is not None
    assert second.fit is not None
    assert (first.fit.a, first.fit.x) == pytest.approx((10.0, 0.2))
    assert (second.fit.a, second.fit.x) == pytest.approx((8.0, 0.1))
    assert curve.x_mean == pytest.approx(0.15)
    assert curve.mean_rates[0] == pytest.approx(9.0)
    assert curve.averaged is not None
    assert curve.averaged.a == pytest.approx(9.0, rel=0.01)
    assert first.fit.rate(8) == pytest.approx(10.0 * 8**0.2)
    assert len(curve.to_dicts()) == 8
    assert "caution" in str(curve)
    with pytest.raises(StudyLogError, match="metric"):
        learning_curve(measured, metric="speed")
    with pytest.raises(StudyLogError, match="condition"):
        learning_curve(measured, condition="rows")


def test_learning_curve_of_one_block_is_not_fitted() -> None:
    curve = learning_curve(measures(_log("p1", "grid", [(1, "ab", "ab", 1.0)])))
    assert curve.participants[0].fit is None
    assert curve.averaged is None
    assert "not fitted" in str(curve)


def test_comparing_says_which_extra_it_needs_and_learning_needs_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    measured = measures(
        [
            _log(name, condition, [(1, "ab", "ab", 1.0), (2, "ab", "ab", 2.0)])
            for name in ("p1", "p2")
            for condition in ("grid", "rows")
        ]
    )
    monkeypatch.setitem(sys.modules, "scipy", None)
    assert learning_curve(measured, condition="grid").averaged is not None
    with pytest.raises(NearkeyError, match=r"scipy; pip install 'nearkey\[stats\]'"):
        compare_conditions(measured)


def test_comparing_names_who_is_left_out_and_where_logs_come_from() -> None:
    # Same speed under both conditions: a difference of nothing is no evidence, p = 1.
    logs = [
        _log(name, condition, [(1, "ab", "ab", seconds)])
        for name, seconds in (("p1", 1.0), ("p2", 2.0), ("p3", 4.0))
        for condition in ("grid", "rows")
    ]
    found = compare_conditions(measures([*logs, _log("p4", "grid", [(1, "ab", "ab", 1.0)])]))
    assert found.left_out == ("p4",)
    (pair,) = found.pairs
    assert (pair.participants, pair.difference, pair.p, pair.p_holm) == (3, 0.0, 1.0, 1.0)
    text = str(found)
    assert "without a value in every condition: p4" in text
    # 2 of the 8 ways to sign three differences: 0.25; six people are the first with 2/64 < .05.
    assert "smallest p of Wilcoxon's test is 0.2500: it cannot fall below 0.05 whatever" in text
    assert "it takes 6 participants" in text
    assert (pair.p_t, pair.effect.value) == (1.0, 0.0)
    assert "origin of the logs: invented" in text
    assert found.to_dicts()[0]["second"] == "rows"
    with pytest.raises(StudyLogError, match="1 conditions and 1 participants"):
        compare_conditions(measures(logs[0]))
    with pytest.raises(StudyLogError, match="metric: is 'speed'"):
        compare_conditions(measures(logs), "speed")
