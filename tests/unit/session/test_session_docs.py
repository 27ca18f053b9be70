"""docs/session.md: its code runs and prints what the page says it prints."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

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
        assert re.sub(r"t=\d+\.\d+", "t=0.0", printed).strip() == shown.strip()


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
