"""The installed command in processes of its own: streams, pipes, interruptions."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_line import strict_json

import nearkey as nk

NEARKEY = Path(sys.executable).with_name("nearkey")
PLAN = """
name = "invented"
words = 200
[surface]
width_mm = 18
height_mm = 12
[[candidates]]
base = "qwerty"
rows = 3
columns = 2
[touch]
spread_mm = 2.0
"""

pytestmark = pytest.mark.skipif(not NEARKEY.exists(), reason="nearkey is not installed as a script")


@pytest.fixture
def plan(english, tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    return path


def started(*arguments: object, **streams: object) -> subprocess.Popen[bytes]:
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams}
    return subprocess.Popen([NEARKEY, *map(str, arguments)], **streams)  # type: ignore[call-overload,no-any-return]


def test_version_and_help():
    out, err = started("--version").communicate()
    assert out.decode() == f"nearkey, version {nk.__version__}\n"
    assert err == b""
    out, _ = started("--help").communicate()
    for command in ("layout", "rank", "study", "touch"):
        assert f"\n  {command} " in out.decode()


def test_a_fault_is_one_line_and_code_2(tmp_path):
    process = started("rank", tmp_path / "no.toml")
    out, err = process.communicate()
    assert process.returncode == 2
    assert out == b""
    assert err.decode() == f"nearkey: {tmp_path}/no.toml: no such file; check the path\n"


def test_a_reader_that_goes_away_is_no_fault():
    grids = ("layout", "grids", "qwerty", "--rows", 2, "--columns", 3, "--rule", "free")
    process = started(*grids, "--limit", 50_000)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait() in (0, 1)


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_the_bar_is_drawn_on_the_terminal_and_not_into_the_json(plan):
    termios = pytest.importorskip("termios")
    reader, terminal = os.openpty()
    termios.tcsetwinsize(terminal, (24, 80))
    process = started("rank", plan, "--json", "--no-report", "--words", 3000, stderr=terminal)
    out, _ = process.communicate()
    assert process.returncode == 0
    rows = strict_json(out.decode())
    assert [row["place"] for row in rows] == [1, 2]
    os.set_blocking(reader, False)
    drawn = b""
    with contextlib.suppress(BlockingIOError):
        while part := os.read(reader, 100_000):  # a terminal hands out some 4,000 bytes at a time
            drawn += part
    os.close(terminal)
    os.close(reader)
    assert b"invented" in drawn
    assert re.search(rb"\b(\d+)/\1 ", drawn)  # to its end
    # Away from a terminal there is no bar.
    _, err = started("rank", plan, "--json", "--no-report").communicate()
    assert err == b""


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_an_interrupted_ranking_ends_in_one_line_and_can_go_on(plan, tmp_path):
    kept = tmp_path / "run.jsonl"
    command = ("rank", plan, "--no-report", "--words", 200_000, "--checkpoint", kept)
    process = started(*command)
    deadline = time.monotonic() + 60
    while not (kept.exists() and kept.read_bytes().count(b"\n") > 3):
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate()
    assert process.returncode == 130
    assert out == b""
    assert err == b"nearkey: interrupted\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan.toml", "run.jsonl"]
    before = kept.read_bytes()
    process = started(*command)
    while kept.read_bytes().count(b"\n") < before.count(b"\n") + 2:
        assert time.monotonic() < deadline
        assert process.poll() is None
        time.sleep(0.02)
    process.kill()
    process.communicate()
    assert kept.read_bytes().startswith(before)  # it went on from there
