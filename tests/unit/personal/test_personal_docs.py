"""docs/personal.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any

import pytest

PAGE = Path(__file__).parents[3] / "docs" / "personal.md"


def test_the_page_s_code_prints_what_the_page_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from nearkey.errors import PackError
    from nearkey.language import load_pack

    try:
        load_pack("en")
    except PackError as fault:
        pytest.skip(f"the English pack is not built here: {fault}")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```\n\n```text\n(.*?)```", PAGE.read_text("utf-8"), re.S)
    assert len(blocks) >= 4
    names: dict[str, Any] = {}
    for code, shown in blocks:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, str(PAGE), "exec"), names)
        assert printed.getvalue().replace(str(tmp_path), ".").strip() == shown.strip()
