"""docs/report.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest

import nearkey as nk
from nearkey.errors import PackError

PAGE = Path(__file__).parents[3] / "docs" / "report.md"


def test_the_pages_code_runs_and_prints_what_it_says(tmp_path, monkeypatch):
    try:
        nk.load_pack("en")
    except PackError as fault:
        pytest.skip(f"the English pack is not here: {fault}")
    monkeypatch.chdir(tmp_path)
    text = PAGE.read_text(encoding="utf-8")
    code = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    told = re.findall(r"```text\n(.*?)```", text, re.DOTALL)
    assert (len(code), len(told)) == (2, 1)
    names: dict[str, object] = {}
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        for block in code:
            exec(compile(block, str(PAGE), "exec"), names)
    assert printed.getvalue() == told[0]
    assert (tmp_path / "ellipses.png").stat().st_size > 1000


def test_every_public_name_of_the_room_is_on_the_page():
    import nearkey.report as room

    text = PAGE.read_text(encoding="utf-8")
    plots = [n for n in room.__all__ if n.startswith(("plot_", "draw_", "rank_"))]
    assert plots
    assert all(f"{name}(" in text for name in plots)
