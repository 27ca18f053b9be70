"""docs/session.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest
from pages import run_page

PAGE = Path(__file__).parents[3] / "docs" / "session.md"


def test_the_pages_code_prints_what_the_page_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    told = [(p, s) for p, s in run_page("docs/session.md", at_least=6) if s is not None]
    assert len(told) >= 6
    for printed, shown in told:
        assert re.sub(r"time_s=\d+\.\d+", "time_s=0.0", printed).strip() == shown.strip()


def test_the_page_names_every_message_line_and_verb() -> None:
    from nearkey.session import Session, messages
    from nearkey.session.journal import Learnt, Resumed

    page = PAGE.read_text("utf-8")
    for kind in (*get_args(messages.Message), Learnt, Resumed):
        tag = kind.__struct_config__.tag
        assert f"`{tag}`" in page, tag
    for kind in (*get_args(messages.Message), *get_args(messages.Effect)):
        assert f"`{kind.__name__}`" in page, kind
    verbs = [n for n, v in vars(Session).items() if callable(v) and not n.startswith("_")]
    for verb in set(verbs) - {"do"}:
        assert f"{verb}(" in page, verb
