"""The page on touches: its code runs, and its names exist."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pages import run_shell

import nearkey.touch

PAGE = Path(__file__).resolve().parents[3] / "docs" / "touch.md"


def test_the_code_of_the_page_runs_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```(python|sh)\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    names: dict[str, Any] = {}
    for kind, block in blocks:
        if kind == "sh":
            run_shell(block)
            continue
        exec(compile(block, str(PAGE), "exec"), names)
    printed = capsys.readouterr().out
    assert "2400 touches of 6 people" in printed
    assert printed.count(" mm: ") == 5
    # What the page promises of the comparison, on its own invented people.
    row = {r.model: r.log_likelihood for r in names["comparison"].rows}
    assert row["nearest-key"] < row["pooled"] < row["adapting"]


def test_the_page_names_every_model() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for name in nearkey.touch.__all__:
        if name.endswith("Touch"):
            assert name in text or name == "PersonTouch", name
