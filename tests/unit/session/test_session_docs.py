"""docs/session.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import contextlib
import io
import itertools
import re
from pathlib import Path
from typing import Any

import pytest

PAGE = Path(__file__).parents[3] / "docs" / "session.md"


def test_the_pages_code_prints_what_the_page_shows(
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
    assert len(blocks) >= 6
    names: dict[str, Any] = {}
    for code, shown in blocks:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, str(PAGE), "exec"), names)
        found = re.sub(r"t=\d+\.\d+", "t=0.0", printed.getvalue())
        assert found.strip() == shown.strip()


def test_the_page_names_every_event_line_and_verb() -> None:
    import msgspec

    from nearkey.session import Session, actions, events
    from nearkey.session.journal import Learnt, Resumed

    page = PAGE.read_text("utf-8")
    kinds = [
        a for a in vars(actions).values() if isinstance(a, type) and issubclass(a, msgspec.Struct)
    ]
    for kind in (*kinds, Learnt, Resumed):
        tag = kind.__struct_config__.tag
        assert tag is None or kind.__name__.startswith("_") or f"`{tag}`" in page, tag
    for event in itertools.chain(events.__all__):
        assert event == "Event" or f"`{event}`" in page, event
    verbs = [n for n, v in vars(Session).items() if callable(v) and not n.startswith("_")]
    for verb in set(verbs) - {"do"}:
        assert f"{verb}(" in page, verb
