"""A store of format 1, written by an earlier program, still loads, and is written as that program wrote it.

`fixtures/words_format_1.jsonl` was written on the small pack of these tests; `words_format_1_export.json` holds what
the program that wrote it told of it. All words in both are invented.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from personal_doubles import TinyPack

from nearkey.personal import PersonalLanguage, WordSettings

FIXTURES = Path(__file__).parent / "fixtures"
SETTINGS = WordSettings(undo_words=12, half_life_words=60.0, start_weight=0.15, rescaling=0.0)


def opened(path: Path, **options: Any) -> PersonalLanguage:
    pack = TinyPack(bigrams={"the": {"level": 0.5, "staff": 0.2}})
    return PersonalLanguage.open(path, pack, language="en", settings=SETTINGS, **options)


def test_it_loads_and_is_written_as_it_was(tmp_path: Path) -> None:
    told = json.loads((FIXTURES / "words_format_1_export.json").read_text("utf-8"))
    path = tmp_path / "words.jsonl"
    shutil.copy(FIXTURES / "words_format_1.jsonl", path)
    kinds = {json.loads(line).get("type") for line in path.read_text("utf-8").splitlines()}
    assert kinds == {None, "learnt", "retracted", "added", "removed"}
    with opened(path) as store:
        assert store.export() == told["export"]
        weight, own = store.overlay(("the", "staff"))
        assert weight == pytest.approx(told["overlay"][0], rel=1e-12)
        assert own == pytest.approx(told["overlay"][1], rel=1e-12)
        store.flush()
        assert path.read_text("utf-8") == told["rewritten"]
        n = store.words_typed
        while store.retract():
            n -= 1
        assert store.words_typed == n


def test_it_may_be_looked_at_without_being_touched() -> None:
    path = FIXTURES / "words_format_1.jsonl"
    before = path.read_bytes()
    told = json.loads((FIXTURES / "words_format_1_export.json").read_text("utf-8"))
    assert opened(path, read_only=True).export() == told["export"]
    assert path.read_bytes() == before
