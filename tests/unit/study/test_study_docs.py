"""docs/study.md and docs/measures.md: their code runs and prints what the pages say it prints."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any

import pytest

DOCS = Path(__file__).parents[3] / "docs"


@pytest.mark.parametrize(("name", "at_least"), [("study.md", 7), ("measures.md", 3)])
def test_the_pages_code_prints_what_the_page_shows(
    name: str, at_least: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = DOCS / name
    pytest.importorskip("scipy")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```\n\n```text\n(.*?)```", page.read_text("utf-8"), re.S)
    assert len(blocks) >= at_least
    names: dict[str, Any] = {}
    for code, shown in blocks:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, str(page), "exec"), names)
        assert printed.getvalue().strip() == shown.strip()
