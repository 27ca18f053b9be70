"""`nearkey lab` and `nearkey study forget`: what is refused, and what is said."""

from __future__ import annotations

import socket
import sys

import pytest
from command_line import done, refused
from lab_devices import plan_file

from nearkey.study import StudyLogWriter


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "neither a plan nor a layout"),
        (("none.toml",), "no such file"),
        (("--layout", "circles"), "neither a file nor a layout"),
        (("--layout", "qwerty", "--layout", "e161", "--layout", "azerty"), "3 given"),
        (("--layout", "qwerty", "--address", "192.0.2.1"), "--share"),
        (("--layout", "qwerty", "--touch", "none.json"), "none.json: no such file"),
        (("--layout", "qwerty", "--spread-mm", "0"), "spread_mm"),
        (("--layout", "qwerty", "--pack", "xx"), "xx"),
    ],
)
def test_a_lab_that_cannot_be_set_up_is_refused(tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    assert says in refused(tmp_path, "lab", *arguments)


def test_a_plan_and_a_layout_are_one_too_many(tmp_path):
    assert "a plan and a layout" in refused(
        tmp_path, "lab", plan_file(tmp_path), "--layout", "qwerty"
    )


def test_a_port_that_is_taken_is_named(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        line = refused(
            tmp_path, "lab", "--layout", "qwerty", "--folder", tmp_path / "d", "--port", port
        )
    assert f"port {port} cannot be used" in line


def test_the_extra_is_named_before_work_begins(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    assert "pip install 'nearkey[lab]'" in refused(tmp_path, "lab", plan_file(tmp_path))


def test_forgetting_says_what_went(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lab-data" / "p1").mkdir(parents=True)
    path = tmp_path / "lab-data" / "p1" / "study-grid.jsonl"
    StudyLogWriter(path, participant="p1", condition="grid", origin="invented").close()
    would = done("study", "forget", "p1", "--dry-run").stdout
    assert would == "would have deleted lab-data/p1/study-grid.jsonl: a study log\n"
    assert done("study", "forget", "p1").stdout == would.removeprefix("would have ")
    assert not path.parent.exists()
    assert done("study", "forget", "p1").stdout == "nothing of 'p1' in lab-data\n"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [(("p1",), "no such folder"), (("..", "."), "no code"), (("p1", "nowhere"), "no such folder")],
)
def test_what_cannot_be_forgotten_is_refused(tmp_path, monkeypatch, arguments, says):
    monkeypatch.chdir(tmp_path)
    assert says in refused(tmp_path, "study", "forget", *arguments)
