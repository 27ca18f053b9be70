"""The page on layouts: its blocks run, and print what they say."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pages import run_shell

PAGE = Path(__file__).parents[3] / "docs" / "layouts.md"


def test_the_page_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    blocks = re.findall(r"```(python|sh)\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) >= 9
    for kind, block in blocks:
        if kind == "sh":
            run_shell(block)
            continue
        exec(compile(block, str(PAGE), "exec"), names)
        for line in block.splitlines():
            call, _, said = line.partition("  # ")
            if said and call.startswith("nk."):  # a value stated beside the call
                assert eval(call, names) == eval(said, {})
    assert (tmp_path / "pad.toml").read_bytes() == (tmp_path / "again.toml").read_bytes()
    assert "no key has 'é'; put each on a key" in capsys.readouterr().out
    assert len(names["sample"]) == 3
    assert names["record"].best_score >= -names["found"].cost
    assert names["best"]
