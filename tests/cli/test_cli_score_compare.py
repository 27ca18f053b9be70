"""The commands `score` and `compare`."""

from __future__ import annotations

import json
import sys

import pytest
from click.testing import CliRunner

from nearkey.commands.score_command import compare_command, score_command
from nearkey.errors import NearkeyError

NOTES = "\n".join(["bring the long staff to the gate", "peg seven is near the road"] * 5)


def run(command, *arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments])


@pytest.fixture
def scored(english, tmp_path):
    """Two layouts scored into a folder."""
    notes = tmp_path / "notes.txt"
    notes.write_text(NOTES)
    found = run(
        score_command, "qwerty", "e161", "--fit-mm", 24, 12, "--spread-mm", 1.0, "--corpus", notes,
        "--unseen", "--words", 60, "--baselines", "--compare-words", 20, "-o", tmp_path / "out",
        "--figures",
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    return tmp_path / "out", found.output


def test_tables_go_to_the_screen_and_figures_apart_from_times_to_files(scored):
    folder, printed = scored
    assert "qwerty, 26 keys: 60 words of notes (unseen by the pack)" in printed
    assert "e161, 8 keys" in printed
    assert sorted(p.name for p in folder.iterdir()) == [
        f"{name}.{kind}"
        for name in ("e161", "qwerty")
        for kind in ("json", "ranks.svg", "reliability.svg", "speed.json")
    ]
    quality = json.loads((folder / "qwerty.json").read_text())
    assert quality["schema"] == "nearkey-score"
    assert "stages_s" not in quality
    assert json.loads((folder / "qwerty.speed.json").read_text())["stages_s"]


def test_nothing_is_overwritten_unasked(scored):
    folder, _ = scored
    again = run(score_command, "qwerty", "--spread-mm", 1, "--words", 20, "-o", folder)
    assert "is there already" in str(again.exception)


def test_two_files_are_compared(scored):
    folder, _ = scored
    same = run(compare_command, folder / "qwerty.json", folder / "qwerty.json", "--strict")
    assert same.exit_code == 0
    assert "0 of" in same.output
    data = json.loads((folder / "qwerty.json").read_text())
    data["score"]["all"]["top1"]["value"] -= 0.1
    worse = folder / "worse.json"
    worse.write_text(json.dumps(data))
    found = run(compare_command, folder / "qwerty.json", worse)
    assert found.exit_code == 0
    assert "worse" in found.output
    assert run(compare_command, folder / "qwerty.json", worse, "--strict").exit_code == 1
    printed = json.loads(run(compare_command, folder / "qwerty.json", worse, "--json").output)
    assert printed["moved"][0]["measure"] == "top1"


def test_results_of_two_layouts_are_not_taken_for_equal(scored):
    folder, _ = scored
    found = run(compare_command, folder / "qwerty.json", folder / "e161.json")
    assert found.exit_code != 0
    assert "no figure in common" in str(found.exception)


def test_a_command_may_be_scored_beside_ours(english, tmp_path):
    script = tmp_path / "mine.py"
    script.write_text(
        "import json, sys\nsys.stdin.readline()\n"
        "print(json.dumps({'type': 'ready', 'name': 'mine', 'version': 1}), flush=True)\n"
        "for line in sys.stdin:\n"
        "    print(json.dumps({'type': 'answer', 'id': json.loads(line)['id'], 'texts': ['the']}), flush=True)\n"
    )
    found = run(
        score_command, "e161", "--spread-mm", 2.0, "--words", 40, "--compare-words", 30,
        "--decoder", f"mine={sys.executable} {script}", "--json",
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    (score,) = json.loads(found.output)
    mine = score["compared"]["mine"]
    assert mine["all"]["words"] == 30
    assert mine["faults"] == {}
    assert "exhaustive" in score["compared"]


def test_only_the_held_out_part_of_a_text_may_be_typed(english, tmp_path):
    notes = tmp_path / "notes.txt"
    things = ("staff", "peg", "gate", "road", "tripod", "datum", "kerb")
    notes.write_text("\n".join(f"bring the {a} and the {b}" for a in things for b in things))
    found = run(
        score_command, "qwerty", "--spread-mm", 1.0, "--corpus", notes, "--held-out", 400,
        "--words", 30, "--json",
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    (score,) = json.loads(found.output)
    assert score["conditions"]["corpus"] == "notes, held-out part"
    assert score["conditions"]["corpus_seen_by_pack"] is False


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["qwerty"], "--spread-mm, --touch"),
        (["qwerty", "--spread-mm", "1", "--figures"], "-o FOLDER"),
        (["qwerty", "--spread-mm", "1", "--decoder", "mine"], "NAME=COMMAND"),
        (["qwerty", "--spread-mm", "1", "--corpus", "no.txt"], "no such file"),
        (["qwerty", "--spread-mm", "1", "--held-out", "30"], "add --corpus"),
        (["nowhere.toml", "--spread-mm", "1"], "nowhere.toml"),
    ],
)
def test_bad_requests_end_in_one_line(english, arguments, message):
    found = run(score_command, *arguments)
    assert isinstance(found.exception, NearkeyError)
    assert message in str(found.exception)
    assert "\n" not in str(found.exception)
