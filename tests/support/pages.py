"""Pages whose code blocks run as printed, in order, in one namespace."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

_BLOCK = re.compile(r"```python\n(.*?)```(?:\n\n```text\n(.*?)```)?", re.DOTALL)


def run_page(page: str, *, at_least: int) -> list[tuple[str, str | None]]:
    """What each Python block of a page prints, and what the page says it prints (None where it does not say)."""
    blocks = _BLOCK.findall((ROOT / page).read_text(encoding="utf-8"))
    assert len(blocks) >= at_least, f"{page} has lost its code"
    names: dict[str, Any] = {}
    out: list[tuple[str, str | None]] = []
    for code, shown in blocks:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, page, "exec"), names)
        out.append((printed.getvalue(), shown or None))
    return out
