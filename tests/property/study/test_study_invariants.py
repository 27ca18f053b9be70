"""What must hold for any strings, any log, any cut."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearkey.errors import StudyLogError
from nearkey.study import StudyLog, StudyLogRecorder, align, measures, string_distance
from nearkey.study.rates import metric_bounds

TEXT = st.text(alphabet="abcdé λ", max_size=14)


@given(TEXT)
def test_a_string_is_at_no_distance_from_itself(text: str) -> None:
    found = align(text, text)
    assert (found.distance, found.count, found.mean_length) == (0, 1, len(text))
    assert string_distance(text, text) == 0


@given(TEXT, TEXT)
def test_alignments_are_symmetric(a: str, b: str) -> None:
    there, back = align(a, b), align(b, a)
    assert (there.distance, there.count) == (back.distance, back.count)
    assert there.mean_length == pytest.approx(back.mean_length)
    assert {(q, p): w for (p, q), w in there.pairs.items()} == pytest.approx(dict(back.pairs))


@given(TEXT, TEXT)
def test_weights_account_for_every_character(a: str, b: str) -> None:
    found = align(a, b)
    assert sum(found.pairs.values()) == pytest.approx(found.mean_length)
    for character in set(a):
        row = sum(w for (p, _), w in found.pairs.items() if p == character)
        assert row == pytest.approx(a.count(character))
    for character in set(b):
        column = sum(w for (_, t), w in found.pairs.items() if t == character)
        assert column == pytest.approx(b.count(character))
    wrong = sum(w for (p, t), w in found.pairs.items() if p != t)
    assert wrong == pytest.approx(found.distance)
    assert max(len(a), len(b)) <= found.mean_length + 1e-9 <= len(a) + len(b) + 1e-9


@given(TEXT, TEXT, TEXT)
def test_distance_obeys_the_triangle(a: str, b: str, c: str) -> None:
    assert string_distance(a, c) <= string_distance(a, b) + string_distance(b, c)


def test_many_alignments_stay_exact() -> None:
    # Against another road to the number: "a" * n against "a" * m is a choice of the n - m letters
    # left out, C(n, m) ways (closed form); far beyond what floats count exactly.
    found = align("a" * 120, "a" * 60)
    assert found.distance == 60
    assert found.count == math.comb(120, 60)
    assert found.mean_length == 120.0
    assert found.pairs["a", ""] == pytest.approx(60.0)


STEP = st.tuples(
    st.sampled_from(["tap", "accept", "commit", "text", "delete", "undo", "redo", "cursor"]),
    TEXT,
    st.integers(0, 3),
    st.floats(0, 5),
    st.one_of(st.none(), st.integers(0, 9)),
)


def _log(trials: list[tuple[str, list[Any], bool]]) -> StudyLog:
    log = StudyLogRecorder(participant="p1", condition="c", origin="invented")
    for prompt, steps, ended in trials:
        t = 0.0
        log.prompt(prompt, t)
        for kind, text, presses, pause, rank in steps:
            t += pause
            fields: dict[str, Any] = {"presses": presses}
            if kind != "cursor":
                fields["text"] = text
            if kind == "accept":
                fields["rank"] = rank or 0
            if kind == "commit":
                fields["rank"] = rank
            log.event(kind, t, **fields)
        if ended:
            log.end(t)
    return log.log()


PROMPT = st.text(alphabet="abcdé λ", min_size=1, max_size=14)
LOGS = st.lists(st.tuples(PROMPT, st.lists(STEP, max_size=8), st.booleans()), max_size=4).map(_log)


@given(LOGS)
def test_measures_of_any_log_keep_their_identities(log: StudyLog) -> None:
    for selection in ("entry", "fix"):
        measured = measures(log, resamples=10, selection=selection)  # type: ignore[arg-type]
        assert len(measured.phrases) + len(measured.left_out) == len(log.trials())
        for row in (*measured.phrases, *measured.blocks, *measured.participants):
            counts = row.counts
            assert counts.correct + counts.incorrect_not_fixed == counts.longest
            assert min(counts.correct, counts.incorrect_fixed, counts.fixes) >= 0
            assert min(counts.respelled_by_decoder, counts.respelled_by_selection) >= 0
            if not math.isnan(row.total_error_percent):
                assert row.total_error_percent == pytest.approx(
                    row.corrected_error_percent + row.uncorrected_error_percent
                )
                assert row.total_error_percent <= 100 + 1e-9
            if not math.isnan(row.msd_error_percent):
                assert row.msd_error_percent_aligned <= row.msd_error_percent + 1e-9
            if not math.isnan(row.utilised_bandwidth):
                assert row.utilised_bandwidth + row.wasted_bandwidth == pytest.approx(1.0)
            for name, value in row.rates().items():
                low, high = metric_bounds(name)
                assert math.isnan(value) or low - 1e-9 <= value <= high + 1e-9, name
            if not math.isnan(row.kspc):
                assert row.keystroke_savings_percent == pytest.approx(100 * (1 - row.kspc))
            assert counts.mode_keys + counts.fixes <= counts.keystrokes
            assert counts.timed < max(counts.entered, 1) or not counts.timed
        assert str(measured)


@given(log=LOGS, data=st.data())
def test_a_log_survives_the_file_and_a_cut_at_any_byte(
    tmp_path_factory: pytest.TempPathFactory, log: StudyLog, data: st.DataObject
) -> None:
    path: Path = tmp_path_factory.mktemp("cut") / "run.jsonl"
    whole = log.to_bytes()
    path.write_bytes(whole)
    back = StudyLog.read(path)
    assert (back.header, back.events, back.truncated) == (log.header, log.events, None)

    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(whole[:cut])
    header_end = whole.index(b"\n")
    if cut < header_end:
        with pytest.raises(StudyLogError):
            StudyLog.read(path)
        return
    part = StudyLog.read(path)
    assert part.events == log.events[: len(part.events)]
    lines = whole[:cut].count(b"\n")
    # Every whole line is read; what is left over is reported, unless only a newline is missing.
    assert len(part.events) >= lines - 1
    rest = whole[:cut].rsplit(b"\n", 1)[-1]
    if part.truncated is not None:
        assert part.truncated.n_bytes == len(rest) > 0
        assert part.truncated.offset + part.truncated.n_bytes == cut
    elif rest:
        assert whole[cut : cut + 1] == b"\n"


@given(
    phrase=st.text(alphabet="abcdef", min_size=2, max_size=20),
    script=st.lists(st.sampled_from(["right", "wrong", "fixed", "fixed twice"]), min_size=20),
    gap=st.floats(0.05, 3.0),
)
def test_a_scripted_typist_is_measured_as_scripted(
    phrase: str, script: list[str], gap: float
) -> None:
    # The typist puts "#", which no phrase holds, where the script says: the counts are known.
    log = StudyLogRecorder(participant="p1", condition="c", origin="simulated")
    log.prompt(phrase, 0.0)
    text, t, keys = "", 0.0, 0
    first_t = last_t = 0.0

    def press(kind: str, after: str) -> None:
        nonlocal text, t, keys, first_t, last_t
        t += gap
        keys += 1
        text = after
        log.event(kind, t, text=text)
        first_t = t if keys == 1 else first_t
        last_t = t

    for letter, what in zip(phrase, script, strict=False):
        for _ in range({"fixed": 1, "fixed twice": 2}.get(what, 0)):
            press("tap", text + "#")
            press("delete", text[:-1])
        press("tap", text + ("#" if what == "wrong" else letter))
    log.end(t)
    used = script[: len(phrase)]
    wrong, fixed = used.count("wrong"), used.count("fixed") + 2 * used.count("fixed twice")
    n = len(phrase)
    row = measures(log.log()).phrases[0]
    assert row.counts.correct == n - wrong
    assert row.counts.incorrect_not_fixed == wrong
    assert row.counts.incorrect_fixed == row.counts.fixes == fixed
    assert row.kspc == pytest.approx((n + 2 * fixed) / n)
    assert row.wpm == pytest.approx((n - 1) / (last_t - first_t) * 12)
    assert row.total_error_percent == pytest.approx(100 * (wrong + fixed) / (n + fixed))
    if fixed:
        assert row.correction_efficiency == 1.0
        assert row.conscientiousness == pytest.approx(fixed / (fixed + wrong))
