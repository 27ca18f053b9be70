"""The pure state machine: a state and an event in, a state and effects out."""

from __future__ import annotations

from collections.abc import Iterable

from nearkey.session import actions as act
from nearkey.session.actions import Action
from nearkey.session.apply import apply
from nearkey.session.decide import decide
from nearkey.session.effects import CandidatesChanged, Effect, Record, TextChanged
from nearkey.session.events import Event
from nearkey.session.history import START, State
from nearkey.session.protocols import LiveDecoder
from nearkey.session.reader import Reader

__all__ = ["advance", "replay", "step"]

_TEXT = TextChanged()
_CANDIDATES = CandidatesChanged()


def step(
    state: State, event: Event, decoder: LiveDecoder | Reader
) -> tuple[State, tuple[Effect, ...]]:
    """One event. Nothing is changed in place; the same arguments give the same answer.

    decoder : a decoder, or a `Reader` of one, which brings settings and a person's store and
    remembers its last answers. An event that does nothing gives the state back, and no effects.
    """
    reader = decoder if isinstance(decoder, Reader) else Reader(decoder)
    action = decide(state.content, event, reader)
    if action is None:
        return state, ()
    return advance(state, action, reader)


def advance(state: State, action: Action, reader: Reader) -> tuple[State, tuple[Effect, ...]]:
    """One action, with its effects."""
    new, ops = apply(state, action, reader.settings)
    if new is state:
        return state, ()
    if isinstance(action, act.AddWord):
        return new, (*ops, Record(action), _CANDIDATES)
    return new, (*ops, Record(action), _TEXT, _CANDIDATES)


def replay(
    events: Iterable[Event], decoder: LiveDecoder | Reader, *, state: State = START
) -> State:
    """The state after many events."""
    reader = decoder if isinstance(decoder, Reader) else Reader(decoder)
    for event in events:
        state, _ = step(state, event, reader)
    return state
