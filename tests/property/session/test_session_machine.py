"""Random events: undo restores, redo is its inverse, text equals replay, nothing raises."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from session_fakes import FakeDecoder, FakeStore
from session_strategies import PADS, any_event, any_events, texts

from nearkey.session import START, Reader, Session, Settings, effects, events, replay, step
from nearkey.session.history import State

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
    reader = Reader(decoder, personal=FakeStore())
    state = START
    for event in data.draw(any_events(decoder)):
        new, _ = step(state, event, reader)
        if new is not state and not isinstance(event, events.Undo | events.Redo):
            undone, _ = step(new, events.Undo(), reader)
            assert undone.content == state.content
            assert undone.past == state.past
            redone, _ = step(undone, events.Redo(), reader)
            assert redone.content == new.content
            assert redone.past == new.past
        state = new
    last = state
    n = 0
    while state.past is not None:
        state, _ = step(state, events.Undo(), reader)
        n += 1
    assert state.content == START.content
    for _ in range(n):
        state, _ = step(state, events.Redo(), reader)
    assert state.content == last.content


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_text_equals_replay_whether_looked_at_or_not(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    done = data.draw(any_events(decoder))
    looking, store = Reader(decoder, personal=FakeStore()), START
    for event in done:
        store, _ = step(store, event, looking)
        looking.view(store.content)
        looking.letters(store.content)
    blind = replay(done, Reader(decoder, personal=FakeStore()))
    fresh = replay(done, Reader(FakeDecoder(decoder.layout, decoder.words), personal=FakeStore()))
    assert blind == store == fresh
    assert Reader(decoder).view(blind.content) == looking.view(store.content)


def _at(state: State, reader: Reader) -> tuple[str, int]:
    return reader.view(state.content)


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_what_only_moves_or_opens_changes_no_text(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    reader = Reader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    text, _ = _at(state, reader)
    moved, _ = step(state, events.Move(data.draw(st.integers(0, len(text)))), reader)
    assert _at(moved, reader)[0] == text
    opened, _ = step(moved, events.Reopen(), reader)
    assert _at(opened, reader)[0] == text
    closed, _ = step(opened, events.Move(0), reader)
    assert _at(closed, reader)[0] == text


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data(), inserted=texts)
def test_inserted_text_stands_at_the_cursor_as_it_is(
    pad: str, data: st.DataObject, inserted: str
) -> None:
    decoder = PADS[pad]
    reader = Reader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    if state.content.open is not None and state.content.open.tail:
        return  # the word is closed first, and the cursor goes to its end
    text, cursor = _at(state, reader)
    after, _ = step(state, events.Insert(inserted), reader)
    assert _at(after, reader) == (text[:cursor] + inserted + text[cursor:], cursor + len(inserted))


@pytest.mark.parametrize("pad", PADS)
@slow
@given(data=st.data())
def test_a_choice_of_the_person_is_what_gets_written(pad: str, data: st.DataObject) -> None:
    decoder = PADS[pad]
    reader = Reader(decoder)
    state = replay(data.draw(any_events(decoder, 20)), reader)
    offered = reader.candidates(state.content)
    if not offered:
        return
    rank = data.draw(st.integers(0, len(offered) - 1))
    chosen, _ = step(state, events.Accept(rank), reader)
    assert reader.shown(chosen.content) == offered[rank].text
    x, y = next((k.cx, k.cy) for k in decoder.layout.keys if k.role == "letters")
    for event in (events.Commit(), events.Tap(x, y)):
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
        self.done: list[events.Event] = []

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
        word = s.state.content.open
        assert (word is None) or (s.state.content.offset == 0)
        if word is not None:
            assert s.word
            assert s.word in s.text
            if word.held is None:
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
            for op in past.ops:
                if isinstance(op, effects.Learn):
                    taught[op.lesson.text] += 1
                elif isinstance(op, effects.Forget):
                    taught[op.lesson.text] -= 1
            past = past.rest
        assert +taught == Counter(word for word, _ in self.store.learnt.values())

    def teardown(self) -> None:
        if not hasattr(self, "session"):
            return
        reader = Reader(
            self.decoder, Settings(k=self.session.settings.k), personal=(own := FakeStore())
        )
        state = START
        for event in self.done:
            state, said = step(state, event, reader)
            for effect in said:
                if isinstance(effect, effects.StoreWord):
                    own.add_word(effect.word)
                elif isinstance(effect, effects.RemoveWord):
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
