"""The example of a prototype's firmware in JavaScript, run by Node.js against the lab."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from lab_devices import plan_file

EXAMPLE = Path(__file__).parents[3] / "examples" / "lab_sensor.mjs"
NODE = shutil.which("node")


@pytest.mark.skipif(NODE is None, reason="Node.js is not here")
def test_a_prototype_in_another_language_types_a_word_and_is_told_what_is_wrong(tmp_path):
    assert NODE is not None
    lab = [
        sys.executable,
        "-m",
        "nearkey.cli",
        "lab",
        plan_file(tmp_path),
        "--stdin",
        "--port",
        "0",
    ]
    done = subprocess.run(
        [NODE, EXAMPLE, "level", *lab], capture_output=True, text=True, timeout=60, check=True
    )
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["tap"] * 5 + ["accept", "text:"]
    assert lines[-1].lower() == "text: level"
    # Six keys: the counts came out as the keys they were aimed at.
    assert [line.split()[1] for line in lines[:5]] == ["k5", "k0", "k4", "k0", "k5"]
    wrong = subprocess.run(
        [NODE, EXAMPLE, "level", "no-such-command"], capture_output=True, text=True, timeout=60
    )
    assert wrong.returncode == 2
    assert "no-such-command" in wrong.stderr
