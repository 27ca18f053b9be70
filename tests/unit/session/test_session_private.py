"""Private sessions keep nothing: no file, no observation, nothing told to those who watch."""

from __future__ import annotations

from pathlib import Path

import pytest
from session_fakes import FakeStore, typist

from nearkey.errors import JournalError
from nearkey.session import Notice, Observation


class Watching(FakeStore):
    """A store that may be read, and fails the test when anything else is asked of it."""

    def learn(self, word: str, state: object = None) -> int:
        raise AssertionError("a private session taught a word")

    retract = add_word = remove_word = learn  # type: ignore[assignment]


class WatchingLearner:
    def confirm(self, observation: Observation) -> None:
        raise AssertionError("a private session taught a touch")

    retract = confirm  # type: ignore[assignment]


def test_nothing_of_a_private_session_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    store = Watching()
    store.words.add("tarn")
    seen: list[Notice] = []
    t = typist(
        private=True,
        personal=store,
        learners=[WatchingLearner()],
        fsync=True,
    )
    t.session.observe(seen.append)
    t.words("gate open")
    t.type("lat")
    t.session.accept(0)
    t.session.mark(".")
    t.session.delete()
    t.session.undo()
    t.session.redo()
    assert not t.session.add_word("beck")
    t.session.close()
    assert t.session.private
    assert t.session.journal_path is None
    assert t.session.text.startswith("Gate open lat")
    assert list(tmp_path.iterdir()) == []
    for notice in seen:
        assert notice.private
        assert (notice.text, notice.word, notice.key, notice.candidates) == ("", "", "", ())
        assert (notice.x, notice.y, notice.rank, notice.committed) == (None, None, None, None)
    assert "private" in repr(t.session)


def test_a_journal_of_a_private_session_is_refused_and_not_made(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="a private session keeps no journal") as caught:
        typist(private=True, journal=tmp_path / "run.jsonl")
    assert (caught.value.where, caught.value.field) == (str(tmp_path / "run.jsonl"), "journal")
    assert list(tmp_path.iterdir()) == []


def test_a_private_session_may_read_the_persons_words() -> None:
    store = Watching()
    store.words.add("tarn")
    t = typist(private=True, personal=store)
    t.type("tarn")
    assert "tarn" in [c.word for c in t.session.candidates]
