"""Comparing two revisions: each task's script runs, and what is asked wrongly is said in one line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
SCRIPT = ROOT / "benchmarks" / "before_after.py"


def compared(*arguments: str) -> subprocess.CompletedProcess[str]:
    others = {k: v for k, v in os.environ.items() if k != "NEARKEY_DATA"}
    return subprocess.run(
        [sys.executable, str(SCRIPT), *arguments],
        env=others, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("tasks", "problem"), [("stone", "task 'stone' is unknown"), ("t,arpa", "NEARKEY_DATA names")]
)
def test_what_cannot_be_compared_is_said(tasks, problem):
    done = compared("--before", "HEAD", "--tasks", tasks)
    assert done.returncode == 1
    assert problem in done.stderr
    assert "Traceback" not in done.stderr


def test_a_task_is_timed(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(SCRIPT.parent))
    import before_after

    monkeypatch.setattr(before_after, "WORK", tmp_path)
    models = before_after.ROOT / "models" / "en"
    found = before_after.run(Path(sys.executable), "t", "after", models)
    assert found["seconds"] > 0
    assert found["mb"] > 10
    assert json.dumps(found)
