"""Schema, reading, writing, damage."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from nearkey.errors import StudyLogError
from nearkey.study import StudyLog, StudyLogRecorder, StudyLogWriter

HEADER = (
    '{"format":"nearkey-study","version":1,"participant":"p1","condition":"grid",'
    '"origin":"invented"}\n'
)
PROMPT = '{"type":"prompt","t":0,"text":"go"}\n'
TAP = '{"type":"tap","t":1,"text":"g"}\n'


def _write(path: Path) -> StudyLogWriter:
    return StudyLogWriter(
        path, participant="p1", condition="grid", origin="invented", layout="grid 2 x 3", block=2
    )


def test_written_log_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    with _write(path) as log:
        log.event("rest", 0.0, seconds=60)
        log.prompt("gate ωλ", 1.0, trial=7, extra={"note": "wind"})
        log.event("tap", 1.5, text="g", x=3.25, y=1.0, key="ghi")
        log.event("candidates", 1.5, words=["gate", "hate"])
        log.event("accept", 2.5, text="gate ", rank=0, word="gate")
        log.event("text", 3.0, text="gate ωλ")
        log.end(4.0, text="gate ωλ")
    back = StudyLog.read(path)
    assert back.header.layout == "grid 2 x 3"
    assert back.truncated is None
    assert back.source == str(path)
    assert back.to_bytes() == path.read_bytes()
    (trial,) = back.trials()
    assert (trial.state, trial.block, trial.transcribed) == ("done", 2, "gate ωλ")
    assert [type(one).__name__ for one in trial.actions] == [
        "TapRecord",
        "AcceptRecord",
        "TextRecord",
    ]
    assert trial.prompt.extra == {"note": "wind"}
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[3] == '{"type":"tap","t":1.5,"text":"g","x":3.25,"y":1.0,"key":"ghi"}'


def test_log_is_for_its_owner_only(tmp_path: Path) -> None:
    with _write(tmp_path / "run.jsonl") as log:
        assert stat.S_IMODE(log.path.stat().st_mode) == 0o600


def test_every_event_is_in_the_file_at_once(tmp_path: Path) -> None:
    with _write(tmp_path / "run.jsonl") as log:
        log.prompt("go")
        log.event("tap", text="g")
        assert len(StudyLog.read(log.path).events) == 2


def test_sync_forces_every_line_to_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[int] = []
    monkeypatch.setattr(os, "fsync", calls.append)
    with StudyLogWriter(
        tmp_path / "run.jsonl", participant="p1", condition="c", origin="invented", sync=True
    ) as log:
        log.prompt("go", 0.0)
        assert len(calls) == 3  # the folder that holds the new file, header, prompt
        # What was offered goes to the disk with the next thing that somebody does.
        log.event("candidates", 0.0, words=["go", "get"])
        assert len(calls) == 3
        assert len(StudyLog.read(log.path).events) == 2
        log.event("tap", 1.0, text="g")
        assert len(calls) == 4


def test_an_existing_log_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_text("precious")
    with pytest.raises(StudyLogError, match=r"run\.jsonl: exists already; choose another"):
        _write(path)
    assert path.read_text() == "precious"
    with pytest.raises(StudyLogError, match="no such folder"):
        _write(tmp_path / "no" / "run.jsonl")


def test_resume_cuts_a_truncated_record_and_ends_the_open_trial(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_text(HEADER + PROMPT + TAP + '{"type":"tap","t":2,"te')
    truncated = StudyLog.read(path).truncated
    assert truncated is not None
    assert str(truncated) == "line 4 is cut short (23 bytes) and left out"
    with StudyLogWriter.resume(path) as log:
        log.event("rest", 0.0)
        log.prompt("on", 0.5)
        log.event("tap", 1.0, text="o")
        log.end(2.0)
    back = StudyLog.read(path)
    assert back.truncated is None
    assert [trial.state for trial in back.trials()] == ["aborted", "done"]


def test_resume_ends_a_whole_line_that_lacks_its_newline(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_text(HEADER + PROMPT + '{"type":"end","t":3}')
    assert StudyLog.read(path).truncated is None
    with StudyLogWriter.resume(path) as log:
        log.prompt("on", 0.5)
    assert len(StudyLog.read(path).events) == 3


def test_a_closed_log_takes_no_event(tmp_path: Path) -> None:
    log = _write(tmp_path / "run.jsonl")
    log.close()
    log.close()
    with pytest.raises(StudyLogError, match="is closed"):
        log.prompt("go")


def test_a_failed_write_leaves_no_half_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with _write(tmp_path / "run.jsonl") as log:
        log.prompt("go", 0.0)
        before = log.path.read_bytes()
        real = os.write

        def full(file: int, data: bytes) -> int:
            if len(data) > 10:
                return real(file, data[:10])
            raise OSError(28, "No space left on device")

        with monkeypatch.context() as patch:
            patch.setattr(os, "write", full)
            with pytest.raises(StudyLogError, match="No space left"):
                log.event("tap", 1.0, text="ggggggg")
        assert log.path.read_bytes() == before


def test_truncated_tail_of_any_sort_is_tolerated(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    for tail in (
        b'{"type',
        b"\x00\x00\x00",
        b'{"type":"tap","t":2,"text":"\xc3',
        b'{"extra":{"a":1}',
    ):
        path.write_bytes((HEADER + PROMPT).encode() + tail)
        log = StudyLog.read(path)
        assert log.truncated is not None
        assert log.truncated.n_bytes == len(tail)
        assert len(log.events) == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        ("hello\n", "line 1: not valid JSON: "),
        ('{"format":"other"}\n', "line 1: format: is not 'nearkey-study'"),
        (HEADER.replace('"version":1', '"version":2'), "line 1: version: is 2; this version reads"),
        (HEADER.replace('"origin":"invented"', '"x":1'), "line 1: "),
        (HEADER.replace('"p1"', '"Jo Bloggs, jo@example.org"'), "participant: may hold only"),
        (HEADER.replace('"invented"', '"real"'), "origin: invalid enum value;"),
        (HEADER + TAP, "line 2: type: tap outside a trial; log a prompt before it"),
        (HEADER + PROMPT + "nonsense\n" + TAP, "line 3: not valid JSON: "),
        (HEADER + PROMPT + '{"type":"tap","t":1}\n', "line 3: text: is missing; add it"),
        (
            HEADER + PROMPT + TAP.replace("text", "txet"),
            "line 3: txet: unknown field; correct its name",
        ),
        (HEADER + PROMPT + TAP.replace('"t":1', '"t":"1"'), "line 3: t: expected `float`"),
        (HEADER + PROMPT + TAP.replace('"t":1', '"t":1e999'), "line 3: t: number out of range"),
        (HEADER + PROMPT + TAP.replace('"tap"', '"slide"'), "line 3: type: invalid value;"),
        (
            HEADER + PROMPT + TAP.replace('"t":1', '"t":-1'),
            "line 3: t: time goes back from 0 to -1",
        ),
        (HEADER + PROMPT + '{"type":"rest","t":1}\n', "line 3: type: a rest inside a trial"),
        (
            HEADER + PROMPT + TAP + '{"type":"end","t":2,"text":"h"}\n',
            "line 4: text: differs from the text after the last action",
        ),
        (
            HEADER + PROMPT + '{"type":"accept","t":1,"text":"go","rank":-1}\n',
            "line 3: rank: expected `int` >= 0",
        ),
        (HEADER + PROMPT.replace("go", ""), "line 2: text: expected `str` of length >= 1"),
        # Whole JSON of the wrong kind is no crash, newline or not.
        (HEADER + PROMPT + '{"type":"tap","t":1}', "line 3: text: is missing"),
    ],
)
def test_damage_is_named(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "run.jsonl"
    path.write_text(text)
    with pytest.raises(StudyLogError) as caught:
        StudyLog.read(path)
    shown = str(caught.value)
    assert message in shown
    assert str(path) in shown
    assert "; " in shown  # every message ends in a fix
    assert "\n" not in shown


def test_unreadable_paths(tmp_path: Path) -> None:
    with pytest.raises(StudyLogError, match="no such file"):
        StudyLog.read(tmp_path / "none.jsonl")
    with pytest.raises(StudyLogError, match="is a folder"):
        StudyLog.read(tmp_path)


def test_blank_lines_and_carriage_returns_are_harmless(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    path.write_bytes((HEADER + PROMPT + "\n" + TAP + "\n").replace("\n", "\r\n").encode())
    assert len(StudyLog.read(path).events) == 2


def test_recorder_refuses_what_the_schema_refuses() -> None:
    with pytest.raises(StudyLogError, match="participant"):
        StudyLogRecorder(participant="", condition="c", origin="invented")
    with pytest.raises(StudyLogError, match="shoe_size: unknown field; correct its name"):
        StudyLogRecorder(participant="p", condition="c", origin="invented", shoe_size=43)
    log = StudyLogRecorder(participant="p", condition="c", origin="simulated")
    log.prompt("go", 0.0)
    with pytest.raises(StudyLogError, match="x: is nan"):
        log.event("tap", 1.0, text="g", x=float("nan"))
    with pytest.raises(StudyLogError, match="t: is inf"):
        log.event("tap", float("inf"), text="g")
    with pytest.raises(StudyLogError, match="time goes back"):
        log.event("tap", -1.0, text="g")
    assert len(log.log().events) == 1  # refused events are not logged


def test_times_default_to_the_recorders_clock() -> None:
    log = StudyLogRecorder(participant="p", condition="c", origin="person")
    log.prompt("go")
    log.event("tap", text="g")
    log.end()
    times = [event.t for event in log.log().events]
    assert times == sorted(times)
    assert 0 <= times[0] < 60


def test_events_in_memory_are_checked_too() -> None:
    log = StudyLogRecorder(participant="p", condition="c", origin="simulated")
    log.prompt("go", 0.0)
    log.event("tap", 1.0, text="g")
    with pytest.raises(StudyLogError, match="event 0: type: tap outside a trial"):
        StudyLog(log.header, log.log().events[1:])
