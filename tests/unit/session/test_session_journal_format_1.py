"""A journal of format 1, written by an earlier program, still replays: every kind of line, step by step.

`fixtures/journal_format_1.jsonl` was written by the program before the session had one message type, on the tests'
pad and decoder; `fixtures/journal_format_1_texts.json` holds what that program showed. All text in both is invented.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any, get_args

from session_fakes import FakeDecoder, FakeStore

from nearkey.session import (
    START,
    Journal,
    Session,
    SessionReader,
    SessionSettings,
    messages,
    reduce,
    step,
)
from nearkey.session.journal import Learnt, Resumed

FIXTURES = Path(__file__).parent / "fixtures"
JOURNAL = FIXTURES / "journal_format_1.jsonl"


def shown() -> dict[str, Any]:
    texts: dict[str, Any] = json.loads(
        (FIXTURES / "journal_format_1_texts.json").read_text("utf-8")
    )
    return texts


def test_the_journal_has_every_kind_of_line() -> None:
    found = {type(record) for record in Journal.read(JOURNAL).records}
    assert found == {*get_args(messages.Message), Learnt, Resumed}
    closed = [
        r for r in Journal.read(JOURNAL).records if isinstance(r, messages.Closing) and r.close
    ]
    assert {"word", "completion", "prediction", "spelled"} <= {
        r.close.kind for r in closed if r.close
    }
    assert {"letter", "symbol"} <= {
        r.role for r in Journal.read(JOURNAL).records if isinstance(r, messages.Tap)
    }


def test_it_replays_line_by_line_as_it_stood_and_undoes_as_it_did() -> None:
    journal = Journal.read(JOURNAL)
    assert journal.header is not None
    header = journal.header
    assert header.k == 4
    settings = SessionSettings(
        k=header.k,
        undo_limit=header.undo_limit,
        context_chars=header.context_chars,
        spacing=header.spacing,
    )
    # The person's words at that time.
    store = FakeStore()
    store.words.add("tarn")
    reader = SessionReader(FakeDecoder(), settings, personal=store)
    state = START
    stood = []
    for record in journal.records:
        if not isinstance(record, Learnt | Resumed):
            state, _ = reduce(state, record, reader.settings)
        word = state.content.composition
        stood.append([*reader.view(state.content), None if word is None else len(word.all)])
    assert stood == shown()["stood"]
    undone = []
    while state.past is not None:
        state, _ = step(state, messages.Undo(), reader)
        undone.append(list(reader.view(state.content)))
    assert undone == shown()["undone"]


def test_a_session_goes_on_in_it_and_takes_back_what_was_learnt_then(tmp_path: Path) -> None:
    class Known:
        """A learner with the ids of the one of that time; a wrong id is a KeyError."""

        def __init__(self) -> None:
            self.ids: set[int | str] = set()

        def confirm(self, observation: messages.Observation) -> str:
            update_id = f"word {observation.serial}"
            assert update_id not in self.ids
            self.ids.add(update_id)
            return update_id

        def retract(self, update_id: int | str) -> None:
            self.ids.remove(update_id)

    path = tmp_path / "run.jsonl"
    shutil.copy(JOURNAL, path)
    learner, store = Known(), FakeStore()
    journal = Journal.read(path)
    assert journal.header is not None
    state = START
    for record in journal.records:
        if isinstance(record, Learnt | Resumed):
            continue
        state, effects = reduce(
            state, record, SessionSettings(spacing=journal.header.spacing, context_chars=60)
        )
        for effect in effects:
            if isinstance(effect, messages.Learn):
                learner.confirm(effect.observation)
            elif isinstance(effect, messages.Forget):
                learner.retract(f"word {effect.observation.serial}")
    assert len(learner.ids) > 3
    with Session.restore(path, FakeDecoder(), personal=store, learners=[learner]) as session:
        assert [session.text, session.cursor] == shown()["stood"][-1][:2]
        while session.undo():
            pass
        assert session.text == ""
        assert session.learn_fault is None
    assert learner.ids == set()
    assert {serial for verb, serial in store.calls if verb == "retract"}
    assert path.read_bytes().startswith(JOURNAL.read_bytes())


def test_lines_written_today_are_those_of_format_1(tmp_path: Path) -> None:
    # Every line of the journal, decoded and encoded again, says the same.
    from nearkey.session.journal import _ENCODER

    lines = [json.loads(line) for line in JOURNAL.read_bytes().splitlines()]
    journal = Journal.read(JOURNAL)
    assert journal.header is not None
    for line, record in zip(lines, (journal.header, *journal.records), strict=True):
        del line["crc"]
        assert json.loads(_ENCODER.encode(record)) == line
