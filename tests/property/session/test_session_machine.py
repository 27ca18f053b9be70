"""Random events: undo restores, redo is its inverse, text equals replay, nothing raises."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from session_fakes import FakeDecoder, FakeStore
from session_strategies import PADS, any_event, any_events, texts

from nearkey.session import (
    START,
    Session,
    SessionReader,
    SessionSettings,
    State,
    messages,
    replay,
    step,
)

slow = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_undo_restores_what_was_before_and_redo_what_was_after(
    pad: str, data: st.DataObject
) -> None:
    decoder = PADS[pad]
    reader = SessionReader(decoder, personal=FakeStore())
    state = START
    for event in data.draw(any_events(decoder)):
        new, _ = step(state, event, reader)
        if new is not state and not isinstance(event, messages.Undo | messages.Redo):
            undone, _ = step(new, messages.Undo(), reader)
            assert undone.content == state.content
            assert undone.past == state.past
            redone, _ = step(undone, messages.Redo(), reader)
            assert redone.content == new.content
            assert redone.past == new.past
        state = new
    last = state
    n = 0
    while state.past is not None:
        state, _ = step(state, messages.Undo(), reader)
        n += 1
    assert state.content == START.content
    for _ in range(n):
        state, _ = step(state, messages.Redo(), reader)
    assert state.content == last.content


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_text_equals_replay_whether_looked_at_or_not(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    done = data.draw(any_events(decoder))
    looking, store = SessionReader(decoder, personal=FakeStore()), START
    for event in done:
        store, _ = step(store, event, looking)
        looking.view(store.content)
        looking.letters(store.content)
    blind = replay(done, SessionReader(decoder, personal=FakeStore()))
    fresh = replay(
        done, SessionReader(FakeDecoder(decoder.layout, decoder.words), personal=FakeStore())
    )
    assert blind == store == fresh
    assert SessionReader(decoder).view(blind.content) == looking.view(store.content)


def _at(state: State, reader: SessionReader) -> tuple[str, int]:
    return reader.view(state.content)


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_what_only_moves_or_opens_changes_no_text(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    reader = SessionReader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    text, _ = _at(state, reader)
    moved, _ = step(state, messages.Move(data.draw(st.integers(0, len(text)))), reader)
    assert _at(moved, reader)[0] == text
    opened, _ = step(moved, messages.Reopen(), reader)
    assert _at(opened, reader)[0] == text
    closed, _ = step(opened, messages.Move(0), reader)
    assert _at(closed, reader)[0] == text


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data(), inserted=texts)
def test_inserted_text_stands_at_the_cursor_as_it_is(
    pad: str, data: st.DataObject, inserted: str
) -> None:
    decoder = PADS[pad]
    reader = SessionReader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    if state.content.composition is not None and state.content.composition.tail:
        return  # the word is closed first, and the cursor goes to its end
    text, cursor = _at(state, reader)
    after, _ = step(state, messages.Insert(inserted), reader)
    assert _at(after, reader) == (text[:cursor] + inserted + text[cursor:], cursor + len(inserted))


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_a_choice_of_the_person_is_what_gets_written(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    reader = SessionReader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    offered = reader.candidates(state.content)
    if not offered:
        return
    rank = data.draw(st.integers(0, len(offered) - 1))
    chosen, _ = step(state, messages.Accept(rank), reader)
    assert reader.shown(chosen.content) == offered[rank].text
    x, y = next((k.cx, k.cy) for k in decoder.layout.keys if k.role == "letters")
    for event in (messages.Commit(), messages.Tap(x, y)):
        after, _ = step(chosen, event, reader)
        text, _ = _at(after, reader)
        # A mark may move the space before it; the chosen word or mark itself stands.
        assert offered[rank].text in text


class Machine(RuleBasedStateMachine):
    """A session with a store, driven at random; every look and every invariant at every step."""

    @initialize(pad=st.sampled_from(sorted(PADS)), k=st.integers(1, 6))
    def begin(self, pad: str, k: int) -> None:
        self.decoder = PADS[pad]
        self.store = FakeStore()
        self.session = Session(self.decoder, personal=self.store, k=k)
        self.done: list[messages.Message] = []

    @rule(data=st.data())
    def do(self, data: st.DataObject) -> None:
        event = data.draw(any_event(self.decoder))
        before = self.session.state
        changed = self.session.do(event)
        assert changed == (self.session.state is not before)
        self.done.append(event)

    @invariant()
    def stands(self) -> None:
        if not hasattr(self, "session"):
            return
        s = self.session
        assert 0 <= s.cursor <= len(s.text)
        assert len(s.candidates) <= s.settings.k
        word = s.state.content.composition
        assert (word is None) or (s.state.content.offset == 0)
        if word is not None:
            assert s.word
            assert s.word in s.text
            if word.locked is None:
                assert s.word == s.candidates[0].text
        assert all(letter for letter, _ in s.letters())
        assert all(mark for mark, _ in s.marks)

    @invariant()
    def has_taught_what_its_past_says(self) -> None:
        if not hasattr(self, "session"):
            return
        taught: Counter[str] = Counter()
        past = self.session.state.past
        while past is not None:
            for op in past.item.effects:
                if isinstance(op, messages.Learn):
                    taught[op.observation.text] += 1
                elif isinstance(op, messages.Forget):
                    taught[op.observation.text] -= 1
            past = past.rest
        assert +taught == Counter(word for word, _ in self.store.learnt.values())

    def teardown(self) -> None:
        if not hasattr(self, "session"):
            return
        reader = SessionReader(
            self.decoder, SessionSettings(k=self.session.settings.k), personal=(own := FakeStore())
        )
        state = START
        for event in self.done:
            state, said = step(state, event, reader)
            for effect in said:
                if isinstance(effect, messages.StoreWord):
                    own.add_word(effect.word)
                elif isinstance(effect, messages.RemoveWord):
                    own.remove_word(effect.word)
        assert state.content == self.session.state.content
        assert reader.view(state.content) == (self.session.text, self.session.cursor)
        while self.session.undo():
            pass
        assert self.store.learnt == {}
        assert self.store.words == set()


TestMachine = Machine.TestCase
TestMachine.settings = settings(
    max_examples=120,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
