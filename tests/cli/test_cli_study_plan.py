"""`nearkey study phrases | plan | run | power | report`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from command_line import done, refused, run, strict_json
from invented_studies import invented_study
from small_packs import invented_notes

from nearkey.cli import cli
from nearkey.commands import study_run_command
from nearkey.study import StudyLog, StudyPlan, draw_phrases, measures
from nearkey.text_table import within_width


@pytest.fixture
def notebook(tmp_path):
    path = tmp_path / "notebook.txt"
    path.write_text("\n".join(invented_notes(200, 1)) + "\n")
    return path


@pytest.fixture
def pilot(tmp_path):
    paths = []
    for log in invented_study(people=3, blocks=2, touches=False):
        header = log.header
        paths.append(tmp_path / f"{header.participant}-{header.condition}.jsonl")
        paths[-1].write_bytes(log.to_bytes())
    return paths


def test_phrases_and_plan_are_those_of_python(notebook, tmp_path):
    phrases, plan = tmp_path / "phrases.txt", tmp_path / "plan.json"
    bounds = ("--chars", 8, 60, "--words", 2, 12)
    shown = done("study", "phrases", notebook, "-n", 20, "--seed", 4, *bounds, "-o", phrases).stdout
    expected = draw_phrases(
        notebook.read_text().splitlines(),
        20,
        seed=4,
        min_chars=8,
        max_chars=60,
        min_words=2,
        max_words=12,
    )
    assert tuple(phrases.read_text().splitlines()) == expected.phrases
    assert shown.strip() == within_width(str(expected))
    options = ("--participants", 4, "--conditions", "grid, rows", "--seed", 2, "--blocks", 2)
    done("study", "plan", phrases, *options, "--per-block", 4, "--practice", 1, "-o", plan)
    made = StudyPlan.read(plan)
    assert (made.conditions, made.balanced) == (("grid", "rows"), True)
    assert {block.participant for block in made.blocks} == {"p1", "p2", "p3", "p4"}
    assert "is there already" in refused(
        tmp_path, "study", "plan", phrases, *options, "--per-block", 4, "-o", plan
    )
    other = ("--exclude", phrases, "-o", tmp_path / "more.txt")
    done("study", "phrases", notebook, "-n", 20, "--seed", 4, *bounds, *other)
    assert not {*(tmp_path / "more.txt").read_text().splitlines()} & {*expected.phrases}


def test_what_cannot_be_planned_is_refused(notebook, tmp_path):
    out = ("-o", tmp_path / "x")
    few = refused(tmp_path, "study", "phrases", notebook, "-n", 5000, "--seed", 1, *out)
    assert "5000 phrases asked for" in few
    assert "no such file" in refused(
        tmp_path, "study", "phrases", tmp_path / "no.txt", "-n", 5, "--seed", 1, *out
    )
    short = tmp_path / "short.txt"
    short.write_text("one phrase\n")
    plan = ("study", "plan", short, "--participants", 2, "--conditions", "a,b", "--seed", 1, *out)
    assert "different phrases needed" in refused(tmp_path, *plan)
    twice = ("study", "plan", short, "--participants", "p1,p1", "--conditions", "a", "--seed", 1)
    assert "a name is repeated" in refused(tmp_path, *twice, *out)


def test_power_from_stated_variances_and_from_a_pilot(pilot, tmp_path):
    pytest.importorskip("scipy")
    stated = (
        *("--mean", 12, "--sd-participant", 2, "--sd-condition", 0.8),
        *("--sd-phrase", 0.5, "--sd-residual", 1.5, "--difference", 1),
    )
    table = done("study", "power", *stated, "--participants", "4,8", "--simulations", 20).stdout
    assert "power to find a difference of 1 in wpm" in table
    found = strict_json(
        done(
            "study", "power", *stated, "--participants", "4,8", "--simulations", 20, "--json"
        ).stdout
    )
    assert [row["participants"] for row in found["rows"]] == [4, 8]
    assert found["truth"]["sd_participant"] == 2.0
    pilot_power = ("study", "power", *pilot, "--difference", 1, "--participants", "6")
    few = ("--simulations", 5, "--mixed", 1)
    drawn = strict_json(done(*pilot_power, *few, "--sd-phrase", 0.3, "--json").stdout)
    assert drawn["truth"]["sd_phrase"] == 0.3  # a stated one goes before the pilot's
    assert drawn["mixed_simulations"] == 1
    assert "lacks --mean, --sd-participant" in refused(
        tmp_path, "study", "power", "--difference", 1
    )
    assert "no whole numbers" in refused(
        tmp_path, "study", "power", *stated, "--participants", "six"
    )
    for people in ("1", "1000000"):
        said = refused(tmp_path, "study", "power", *stated, "--participants", people)
        assert f"participants: {people} is out of range" in said
    assert "metric: is 'speed'" in refused(tmp_path, *pilot_power, "--metric", "speed")


def test_report_is_written_and_wrong_input_refused(pilot, tmp_path):
    for module in ("matplotlib", "jinja2", "scipy"):
        pytest.importorskip(module)
    out = tmp_path / "report"
    shown = done("study", "report", *pilot[:1], "-o", out, "--pad", "grid=qwerty")
    assert shown.stdout == f"report: {out / 'report.html'}\n"
    assert (out / "tables" / "phrases.csv").is_file()
    base = ("study", "report", *pilot, "-o", tmp_path / "other")
    assert "names no condition of the logs" in refused(tmp_path, *base, "--pad", "ring=qwerty")
    assert "metric: is 'speed'" in refused(tmp_path, *base, "--metric", "speed")
    assert "no such file" in refused(tmp_path, *base, "--ranking", tmp_path / "no.json")
    assert "no such file" in refused(tmp_path, *base, "--workload", tmp_path / "no.jsonl")


def test_case_and_punctuation_on_the_command_line(pilot):
    both = ("--ignore-case", "--ignore-punctuation")
    found = strict_json(done("study", "measures", pilot[0], *both, "--json").stdout)
    assert found["ignored"] == ["case", "punctuation"]


@pytest.fixture
def planned(tmp_path) -> Path:
    phrases = tmp_path / "phrases.txt"
    phrases.write_text("see the gate\nthe old pen\n")
    done(
        *("study", "plan", phrases, "--participants", "p1", "--conditions", "qwerty", "--seed", 1),
        *("--blocks", 1, "--per-block", 2, "--practice", 0, "-o", tmp_path / "plan.json"),
    )
    return tmp_path / "plan.json"


def typed(planned: Path, keys: str, *options: object):
    """A sitting whose keys come from a pipe."""
    arguments = (
        "study",
        "run",
        planned,
        "p1",
        "--fit-mm",
        24,
        12,
        "--spread-mm",
        0.5,
        "--logs",
        planned.parent / "logs",
    )
    return CliRunner().invoke(cli, [str(a) for a in (*arguments, *options)], input=keys)


def test_a_sitting_in_the_terminal(english, planned):
    phrases = StudyPlan.read(planned).of("p1")[0].phrases
    assert "left; the same command goes on" in typed(planned, "see", "--origin", "invented").output
    keys = "".join(f"{phrase} \r" for phrase in phrases)
    found = typed(planned, keys, "--origin", "invented")
    assert found.exit_code == 0, found.output
    assert "all phrases are done" in found.output
    log = StudyLog.read(planned.parent / "logs" / "p1-qwerty.jsonl")
    assert [trial.state for trial in log.trials()] == ["aborted", "done", "done"]
    assert log.header.device == study_run_command.DEVICE
    measured = measures(log)
    # Keys hit in their middles, a narrow spread: what was shown is what came out, a key a character.
    assert [row.msd_error_percent for row in measured.phrases] == [0.0, 0.0]
    assert [row.kspc for row in measured.phrases] == [1.0, 1.0]
    # A person agrees first; one who does not types nothing.
    declined = typed(planned, "x", "--origin", "person")
    assert "I have read this and agree" in declined.output


def test_a_sitting_that_cannot_be_is_refused(planned, tmp_path):
    base = ("study", "run", planned, "--logs", tmp_path / "logs", "--origin", "invented")
    assert "'p9' is not in the plan" in refused(tmp_path, *base, "p9")
    assert "names no condition of the plan" in refused(
        tmp_path, *base, "p1", "--pad", "ring=qwerty"
    )
    assert "pack" in refused(tmp_path, *base, "p1", "--pack", tmp_path / "nopack")
    assert run("study", "run", planned, "p1").exit_code == 2  # --origin has no default
    assert json.loads(Path(planned).read_text())["format"] == "nearkey-study-plan"
