"""docs/personal.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

from pathlib import Path

import pytest
from pages import run_page


def test_the_page_s_code_prints_what_the_page_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    told = [(p, s) for p, s in run_page("docs/personal.md", at_least=4) if s is not None]
    assert len(told) >= 4
    for printed, shown in told:
        assert printed.replace(str(tmp_path), ".").strip() == shown.strip()
