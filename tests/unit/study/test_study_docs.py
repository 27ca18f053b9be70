"""docs/study.md and docs/measures.md: their code runs and prints what the pages say it prints."""

from __future__ import annotations

from pathlib import Path

import pytest
from pages import run_page

DOCS = Path(__file__).parents[3] / "docs"


@pytest.mark.parametrize(("name", "at_least"), [("study.md", 7), ("measures.md", 3)])
def test_the_pages_code_prints_what_the_page_shows(
    name: str, at_least: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = DOCS / name
    pytest.importorskip("scipy")
    monkeypatch.chdir(tmp_path)
    compared = 0
    for printed, shown in run_page(f"docs/{name}", at_least=at_least, shell=True):
        if shown is not None:
            assert printed.strip() == shown.strip()
            compared += 1
    assert compared >= at_least
    assert page.is_file()
