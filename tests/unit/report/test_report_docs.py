"""docs/report.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import re
from pathlib import Path

from pages import run_page

PAGE = Path(__file__).parents[3] / "docs" / "report.md"


def test_the_pages_code_runs_and_prints_what_it_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    blocks = run_page("docs/report.md", at_least=2)
    told = re.findall(r"```text\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert "".join(printed for printed, _ in blocks) == "".join(told)
    assert (tmp_path / "ellipses.png").stat().st_size > 1000


def test_every_public_name_of_the_room_is_on_the_page():
    import nearkey.report as room

    text = PAGE.read_text(encoding="utf-8")
    plots = [n for n in room.__all__ if n.startswith(("plot_", "draw_", "rank_"))]
    assert plots
    assert all(f"{name}(" in text for name in plots)
