"""Undo and redo of everything, what was learnt included, and that keeping it all is cheap."""

from __future__ import annotations

import tracemalloc

import pytest
from session_fakes import FakeDecoder, FakeStore, Typist, typist

from nearkey.errors import NearkeyError
from nearkey.session import (
    START,
    Observation,
    Session,
    SessionReader,
    SessionSettings,
    messages,
    replay,
    step,
)


def test_every_verb_can_be_undone_and_done_again() -> None:
    t = typist(personal=FakeStore())
    s = t.session
    verbs = [
        lambda: t.type("s"),
        lambda: t.type("ee"),
        lambda: s.accept(0),
        lambda: t.type("y"),
        lambda: s.pick("y"),
        lambda: s.commit(),
        lambda: s.mark(","),
        lambda: s.insert("λ"),
        lambda: s.space(),
        lambda: s.delete(),
        lambda: s.move(2),
        lambda: s.reopen(),
        lambda: s.shift(),
        lambda: s.caps_lock(),
        lambda: s.spell(),
        lambda: s.add_word("tarn"),
        lambda: s.clear(),
    ]
    seen = []
    for verb in verbs:
        before = s.state.content
        verb()
        assert s.state.content != before or "tarn" in s._reader.personal
        seen.append((s.state.content, s.text, s.cursor, s.candidates))
    while s.undo():
        pass
    assert s.state.content == START.content
    assert not s.can_undo
    steps = 0
    while s.redo():
        steps += 1
    assert steps == len(verbs) + 1  # "ee" is two touches
    assert (s.state.content, s.text, s.cursor, s.candidates) == seen[-1]


def test_a_new_event_ends_what_could_be_done_again() -> None:
    t = typist()
    t.words("see you")
    t.session.undo()
    assert t.session.can_redo
    t.session.delete()
    assert not t.session.can_redo
    assert not t.session.redo()


def test_an_event_that_changes_nothing_leaves_redo_alone() -> None:
    t = typist()
    t.words("see")
    t.session.undo()
    t.session.accept(99)
    t.session.move(t.session.cursor)
    t.session.caps_lock(False)
    assert t.session.can_redo


def test_undo_can_be_bounded() -> None:
    t = typist(undo_limit=3)
    t.words("see you later gate open")
    text = t.session.text
    n = 0
    while t.session.undo():
        n += 1
    assert 3 <= n <= 6
    for _ in range(n):
        t.session.redo()
    assert t.session.text == text
    none = typist(undo_limit=0)
    none.type("see")
    assert not none.session.undo()


@pytest.mark.parametrize(
    ("field", "value"), [("k", 0), ("k", True), ("undo_limit", -1), ("context_chars", 0)]
)
def test_settings_out_of_range_are_refused(field: str, value: int) -> None:
    with pytest.raises(NearkeyError, match=f"session settings: {field}"):
        typist(**{field: value})


# ---- learning ----


def test_only_confirmed_words_teach_and_opening_them_again_takes_it_back() -> None:
    store = FakeStore()
    t = typist(personal=store)
    t.type("gate")
    assert store.calls == []
    t.session.commit()
    assert list(store.learnt.values()) == [("Gate", ())]
    t.words("open")
    assert list(store.learnt.values())[-1] == ("open", ("gate",))
    t.session.delete()
    assert [w for w, _ in store.learnt.values()] == ["Gate"]
    t.session.commit()
    t.session.undo()
    assert [w for w, _ in store.learnt.values()] == ["Gate"]
    t.session.redo()
    assert [w for w, _ in store.learnt.values()] == ["Gate", "open"]


def test_undoing_everything_leaves_nothing_learnt() -> None:
    store = FakeStore()
    t = typist(personal=store)
    t.words("gate open later")
    t.session.delete()
    t.session.delete()
    t.type("r")
    t.session.mark(".")
    t.session.move(2)
    t.session.space()
    t.session.add_word("tarn")
    while t.session.undo():
        pass
    assert store.learnt == {}
    assert store.words == set()


def test_clearing_a_field_forgets_nothing() -> None:
    store = FakeStore()
    t = typist(personal=store)
    t.words("gate open")
    t.session.clear()
    assert len(store.learnt) == 2


def test_marks_inserted_text_and_words_without_letters_teach_nothing() -> None:
    store = FakeStore()
    t = typist(personal=store)
    t.session.insert("gate")
    t.session.mark("!")
    t.key("sym")
    t.session.commit()
    assert store.calls == []


def test_an_observation_says_where_the_word_came_from() -> None:
    observations: list[Observation] = []

    class Touches:
        def confirm(self, observation: Observation) -> None:
            observations.append(observation)

        def retract(self, update_id: int | str) -> None:
            raise AssertionError("nothing was learnt")

    t = typist(learners=[Touches()])
    t.words("see")
    t.type("yo")
    t.session.accept([c.text for c in t.session.candidates].index("you"))
    t.session.commit()
    t.session.delete()
    first, second = observations
    assert (first.word, first.text, first.explicit, first.kind) == ("see", "See", False, "word")
    assert first.points == tuple(t.decoder.center(c) for c in "see")
    assert (second.context, second.explicit) == ("See ", True)
    assert second.kind in ("completion", "word")


def test_a_store_that_cannot_write_does_not_stop_the_typing() -> None:
    class Full(FakeStore):
        def learn(self, word: str, state: object = None) -> int:
            raise NearkeyError("no room", where="store")

    t = typist(personal=Full())
    t.words("gate open")
    assert t.session.text == "Gate open "
    assert "no room" in str(t.session.learn_fault)
    assert typist().session.learn_fault is None


# ---- the pure core ----


def test_a_step_changes_nothing_in_place_and_says_what_it_did() -> None:
    decoder = FakeDecoder()
    x, y = decoder.center("i")
    one, said = step(START, messages.Tap(x, y, time_s=1.0), decoder)
    assert START.content.composition is None
    assert one.content.composition is not None
    assert {type(effect) for effect in said} == {
        messages.Record,
        messages.TextChanged,
        messages.CandidatesChanged,
    }
    two, said = step(one, messages.Commit(time_s=2.0), decoder)
    learn = next(effect for effect in said if isinstance(effect, messages.Learn))
    assert learn.observation.word == "I"
    three, said = step(two, messages.Undo(time_s=3.0), decoder)
    assert three.content == one.content
    assert messages.Forget(learn.observation) in said
    assert step(START, messages.Undo(), decoder) == (START, ())
    assert step(START, messages.Accept(7), decoder) == (START, ())


def test_replaying_the_events_gives_the_same_state() -> None:
    decoder = FakeDecoder()
    done: list[messages.Message] = []
    session = Session(decoder)
    t = Typist(session, decoder)
    real = session.do
    session.do = lambda event: done.append(event) or real(event)  # type: ignore[func-returns-value, method-assign]
    t.words("see you")
    t.key("dot")
    session.move(3)
    t.type("the")
    session.undo()
    reader = SessionReader(decoder, SessionSettings())
    again = replay(done, reader)
    assert again == session.state
    assert reader.view(again.content) == (session.text, session.cursor)


def test_long_texts_are_compared_shown_and_let_go_of() -> None:
    session = Session(FakeDecoder(), undo_limit=None)
    for _ in range(20_000):
        session.mark(".")
    other = Session(FakeDecoder(), undo_limit=None)
    for _ in range(20_000):
        other.mark(".")
    assert session.state.content == other.state.content
    assert len(repr(session.state.content)) > 0
    assert session.text == "." * 20_000 + " "
    while session.undo():
        pass
    assert session.text == ""


def test_keeping_every_state_costs_what_changed_not_what_there_is() -> None:
    session = Session(FakeDecoder())
    session.insert("x" * 100_000)

    def cost(n: int) -> float:
        tracemalloc.start()
        for _ in range(n):
            session.mark("-")
        held = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        return held / n

    cost(10)
    assert cost(1000) < 3000  # bytes an event, beside a text of 100,000


def test_undo_copies_nothing() -> None:
    session = Session(FakeDecoder())
    session.insert("gate " * 1000)
    before = session.state.content
    session.insert("open")
    session.undo()
    assert session.state.content is before


def test_a_session_does_not_show_its_text_in_logs() -> None:
    t = typist()
    t.words("gate")
    assert "ate" not in repr(t.session).replace("private", "")
