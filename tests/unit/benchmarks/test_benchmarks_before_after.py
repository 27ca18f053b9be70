"""Comparing two revisions: each task's script runs, and what is asked wrongly is said in one line."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tarfile
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
    assert done.returncode == 2
    assert problem in done.stderr
    assert "Traceback" not in done.stderr


def test_models_that_were_half_unpacked_are_unpacked_again(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(SCRIPT.parent))
    import before_after

    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as files:
        for name in ("recipe.toml", "pack.toml"):
            files.addfile(tarfile.TarInfo(f"models/en/{name}"), io.BytesIO())
    monkeypatch.setattr(before_after, "WORK", tmp_path)
    monkeypatch.setattr(subprocess, "check_output", lambda *_, **__: packed.getvalue())

    def interrupted(files, folder, **_):
        files.extract("models/en/recipe.toml", folder, filter="data")
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(tarfile.TarFile, "extractall", interrupted)
        with pytest.raises(KeyboardInterrupt):
            before_after.earlier_models("old")
    models = before_after.earlier_models("old")
    assert sorted(path.name for path in models.iterdir()) == ["pack.toml", "recipe.toml"]


def test_a_task_is_timed(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(SCRIPT.parent))
    import before_after

    monkeypatch.setattr(before_after, "WORK", tmp_path)
    models = before_after.ROOT / "models" / "en"
    found = before_after.run(Path(sys.executable), "t", "after", models)
    assert found["seconds"] > 0
    assert found["mb"] > 10
    assert json.dumps(found)
