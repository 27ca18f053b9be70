"""What all commands have in common: `-` for standard input and output, one spelling of options, --json, pictures."""

from __future__ import annotations

import json
import sys

import click
import pytest
from click.testing import CliRunner
from command_line import done, every_command, refused, strict_json
from invented_touches import invented_log

import nearkey as nk
from nearkey.cli import cli
from nearkey.commands.shared import InputFile, NamedPath, OutputFile

PAD = nk.Layout.named("qwerty").fitted(18, 12)
ON_PAD = ("--layout", "qwerty", "--fit-mm", "18", "12")


def piped(data: str | bytes, *arguments: object) -> click.testing.Result:
    found = CliRunner().invoke(cli, [str(a) for a in arguments], input=data)
    assert found.exit_code == 0, found.output
    return found


def commands() -> dict[str, click.Command]:
    return {" ".join(path): command for path, command in every_command()}


def test_a_pipe_carries_a_log_from_command_to_command(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    invented_log(PAD).write("log.csv")
    text = (tmp_path / "log.csv").read_text()
    cleaned = piped(text, "touch", "clean", "-", *ON_PAD, "-o", "-")
    assert cleaned.stdout.startswith("# schema = nearkey.touch-log")
    assert cleaned.stderr.startswith("Dropped ")
    model = piped(cleaned.stdout, "touch", "fit", "-", *ON_PAD, "--keep-all", "-o", "-")
    assert json.loads(model.stdout)["schema"] == "nearkey.touch"
    rows = strict_json(piped(model.stdout, "touch", "ellipses", "-", "--json").stdout)
    assert [row["key_id"] for row in rows] == list(PAD.key_ids)
    assert [path.name for path in tmp_path.iterdir()] == ["log.csv"]  # no file named "-"


def test_layouts_come_and_go_by_pipes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    spec = done("layout", "new", "qwerty", "--fit-mm", 18, 12, "--name", "pad", "-o", "-").stdout
    assert "pad" in piped(spec, "layout", "check", "-").stdout
    assert piped(spec, "layout", "draw", "-", "-o", "-").stdout.startswith("<svg")
    assert list(tmp_path.iterdir()) == []


def test_a_text_to_type_comes_by_a_pipe():
    found = piped(
        "the pole is level\n", "score", "qwerty", "--spread-mm", 1, "--words", 20, "--corpus", "-"
    )
    assert "20 words of standard-input, typed 5.0 times over" in found.stdout


def test_a_stream_is_no_folder_and_no_file_to_come_back_to(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    checked = 0
    for name, command in commands().items():
        for option in command.params:
            if isinstance(option.type, NamedPath):
                with pytest.raises(
                    nk.NearkeyError, match=r"- is a stream, and a (file|folder) is meant"
                ):
                    option.type.convert("-", option, None)
                checked += 1
            elif isinstance(option.type, click.Path):
                assert isinstance(option.type, InputFile | OutputFile), f"{name}: {option.name}"
    assert checked >= 15
    says = refused(tmp_path, "score", "qwerty", "--spread-mm", 1, "-o", "-")
    assert "--output: - is a stream, and a folder is meant; name a folder" in says


def test_a_picture_is_what_its_name_says(tmp_path):
    for suffix, first in ((".png", b"\x89PNG"), (".pdf", b"%PDF"), (".svg", b"<svg")):
        path = tmp_path / f"pad{suffix}"
        assert done("layout", "draw", "qwerty", "-o", path).stdout == f"{path}\n"
        assert path.read_bytes().startswith(first)
    says = refused(tmp_path, "layout", "draw", "qwerty", "-o", tmp_path / "pad.jpg")
    assert "pad.jpg: is no name of a picture; end it in .png, .pdf or .svg" in says


def test_a_missing_extra_is_said_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    invented_log(PAD).write(tmp_path / "log.csv")
    for command in (
        ("layout", "draw", "qwerty", "-o", tmp_path / "x.png"),
        ("touch", "draw", tmp_path / "log.csv", *ON_PAD, "-o", tmp_path / "x.png"),
        ("touch", "compare", tmp_path / "log.csv", *ON_PAD, "--draw", tmp_path / "x.png"),
    ):
        assert "needs matplotlib; pip install 'nearkey[report]'" in refused(tmp_path, *command)


def test_the_output_is_always_o_and_output():
    for name, command in commands().items():
        for option in command.params:
            spellings = set(option.opts)
            if spellings & {"-o", "--out", "--output"}:
                assert {"-o", "--output"} <= spellings, name


NO_TABLE = {
    # They write what they are asked for, and say its name or a line about it.
    "layout draw", "layout new", "pack dist", "person export", "study phrases", "study plan", "study report",
    "touch draw", "touch fit",
    # They say what they deleted.
    "person forget", "study forget",
    # They talk with a person or a program.
    "lab", "serve-decoder", "study run",
}  # fmt: skip


def test_whatever_prints_a_table_prints_json_too():
    without = {
        name
        for name, command in commands().items()
        if "--json" not in {spelling for option in command.params for spelling in option.opts}
    }
    assert without == NO_TABLE


def test_what_is_printed_fits_a_terminal(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    invented_log(PAD).write("log.csv")
    stated = ("--mean", 12, "--sd-participant", 2, "--sd-condition", 0.8, "--sd-phrase", 0.5)
    for command in (
        ("pack", "info", "en"),
        ("pack", "info"),
        ("touch", "clean", "log.csv", *ON_PAD),
        ("study", "power", *stated, "--sd-residual", 1, "--difference", 2, "--simulations", 20),
        ("score", "qwerty", "--spread-mm", 1, "--words", 20),
        ("layout", "check", "qwerty", "e161"),
    ):
        found = done(*command)
        # A path or a name is not broken.
        wide = [line for line in found.stdout.splitlines() if len(line) > 80 and "/" not in line]
        assert wide == [], command


def test_layout_new_gives_a_file_to_start_from(tmp_path):
    path = tmp_path / "grid.toml"
    made = ("layout", "new", "qwerty", "--rows", 2, "--columns", 3, "--fit-mm", 18, 12, "-o", path)
    assert done(*made).stdout == f"{path}\n"
    grid = nk.Layout.load(path)
    assert (len(grid.letter_keys), grid.width_mm, grid.height_mm) == (6, 18, 12)
    assert "is there already" in refused(tmp_path, *made)
    assert "--rows, --columns: one is given" in refused(tmp_path, "layout", "new", "--rows", 2)


def test_a_layout_prints_short():
    assert repr(PAD) == "<Layout 'qwerty': 26 keys, 26 letters, 18 x 12 mm>"
    assert str(PAD).splitlines()[:2] == [
        "qwerty, 18 x 12 mm",
        "  q | w | e | r | t | y | u | i | o | p",
    ]
