"""`nearkey study measures`"""

from __future__ import annotations

import pytest
from command_line import done, refused, run, strict_json

from nearkey.study import (
    StudyLog,
    StudyLogWriter,
    compare_conditions,
    learning_curve,
    measures,
)
from nearkey.text_table import within_width

# The speed example of MacKenzie, "A Note on Calculating Text Entry Speed" (2002): 43 characters, 20 s, 25.2 WPM.
PHRASE = "the quick brown fox jumps over the lazy dog"


@pytest.fixture
def log(tmp_path):
    """An invented participant who types the phrase without a fault, a tap every 20/42 s."""
    path = tmp_path / "p1.jsonl"
    with StudyLogWriter(path, participant="p1", condition="pad", origin="invented") as log:
        log.prompt(PHRASE, 0.0)
        for i in range(len(PHRASE)):
            log.event("tap", 2.0 + i * 20 / 42, text=PHRASE[: i + 1])
        log.end(23.0)
    return path


def test_the_published_example_comes_out(log):
    found = done("study", "measures", log)
    shown = dict(line.split() for line in found.stdout.splitlines() if len(line.split()) == 2)
    assert shown["wpm"] == "25.20"
    assert found.stderr == ""
    (phrase,) = strict_json(done("study", "measures", log, "--json").stdout)["phrase"]
    assert phrase["wpm"] == pytest.approx(25.2)
    assert (phrase["presented"], phrase["transcribed_chars"]) == (PHRASE, 43)
    assert phrase["mean_rank"] is None  # no candidate was accepted


def test_a_truncated_last_record_is_told_on_standard_error_and_left_out(log):
    whole = done("study", "measures", log, "--json")
    with log.open("a") as file:
        file.write('{"type":"prom')
    truncated = done("study", "measures", log, "--json")
    assert strict_json(truncated.stdout) == strict_json(whole.stdout)
    (line,) = truncated.stderr.splitlines()
    assert line == (
        f"nearkey: {log}: last record truncated (the program was stopped while writing); left out"
    )


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "no such file; check the path"),
        (b"", "is empty; start it with a header line"),
        (bytes(range(256)), "line 1: not valid JSON: "),
        (b'{"a": 1}\n', "format: is not 'nearkey-study'"),
    ],
)
def test_what_is_no_study_log_is_refused(tmp_path, content, says):
    path = tmp_path / "log.jsonl"
    if content is not None:
        path.write_bytes(content)
    line = refused(tmp_path, "study", "measures", path)
    assert str(path) in line
    assert says in line


def test_a_damaged_line_is_named(log, tmp_path):
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([*lines[:5], b'{"type":"tap","t":1}\n', *lines[5:]]))
    assert "line 6" in refused(tmp_path, "study", "measures", log)
    assert run("study", "measures").exit_code == 2


def test_logs_without_a_finished_phrase_are_refused_with_what_was_left_out(tmp_path):
    path = tmp_path / "p2.jsonl"
    with StudyLogWriter(path, participant="p2", condition="pad", origin="invented") as log:
        log.prompt(PHRASE, 0.0)
        log.event("tap", 1.0, text="t")
    line = refused(tmp_path, "study", "measures", path)
    assert f"{path}: no finished phrase to measure (left out: 1 unfinished)" in line


def test_curves_and_comparisons_are_those_of_python(tmp_path):
    pytest.importorskip("scipy.stats")
    paths = []
    for person, pace in (("p1", 0.5), ("p2", 0.6), ("p3", 0.8)):
        for condition, factor in (("pad", 1.0), ("ring", 1.3)):
            paths.append(tmp_path / f"{person}-{condition}.jsonl")
            with StudyLogWriter(
                paths[-1], participant=person, condition=condition, origin="invented"
            ) as log:
                for block in (1, 2, 3):
                    log.prompt("peg", 0.0, block=block)
                    for i in range(3):
                        log.event("tap", pace * factor / block * (i + 1), text="peg"[: i + 1])
                    log.end(9.0)
    measured = measures([StudyLog.read(path) for path in paths])
    found = done("study", "measures", *paths, "--curve", "wpm", "--compare", "wpm").stdout
    curves = [learning_curve(measured, condition=name) for name in ("pad", "ring")]
    parts = [measured, *curves, compare_conditions(measured, "wpm")]
    assert found.rstrip("\n") == within_width("\n\n".join(map(str, parts)))
    data = strict_json(
        done("study", "measures", *paths, "--json", "--curve", "wpm", "--compare", "wpm").stdout
    )
    assert len(data["curve"]) == 3 * 2 * 3
    assert data["compare"][0]["first"] == "pad"
    assert "use one of wpm" in refused(tmp_path, "study", "measures", *paths, "--curve", "speed")
