"""A session's state: its content and the steps that can be undone and redone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from nearkey.session.content import EMPTY, Content
from nearkey.session.effects import Op

__all__ = ["START", "State", "Step", "record"]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Step:
    """One step of a persistent list: a content, and what the person's store was told on leaving it."""

    content: Content
    ops: tuple[Op, ...]
    rest: Step | None
    depth: int

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Step):
            return NotImplemented
        mine: Step | None = self
        theirs: Step | None = other
        while mine is not theirs:
            if mine is None or theirs is None:
                return False
            if (mine.content, mine.ops) != (theirs.content, theirs.ops):
                return False
            mine, theirs = mine.rest, theirs.rest
        return True

    def __hash__(self) -> int:
        return hash((self.depth, self.ops))

    def __repr__(self) -> str:
        return f"Step(depth={self.depth})"


def steps(step: Step | None) -> Iterator[Step]:
    """The steps, newest first."""
    while step is not None:
        yield step
        step = step.rest


def push_step(rest: Step | None, content: Content, ops: tuple[Op, ...]) -> Step:
    """The list with one more step."""
    return Step(content, ops, rest, 1 if rest is None else rest.depth + 1)


@dataclass(frozen=True, slots=True)
class State:
    """All of a session. `content` says what stands in the editor.

    past, future : what can be undone, and redone, newest first. Every step holds a whole content;
    contents share what they have in common. lessons : lessons given so far; it only grows.
    """

    content: Content = EMPTY
    past: Step | None = None
    future: Step | None = None
    lessons: int = 0


START = State()


def record(
    state: State, content: Content, ops: tuple[Op, ...], lessons: int, undo_limit: int | None
) -> State:
    """The state after an edit; what could be redone is gone."""
    past = push_step(state.past, state.content, ops)
    if undo_limit is not None and past.depth > 2 * undo_limit:
        past_or_none = _newest(past, undo_limit)
        return State(content, past_or_none, None, lessons)
    return State(content, past, None, lessons)


def _newest(step: Step | None, n: int) -> Step | None:
    """A copy of the newest n steps; done once in n edits, so that an edit stays cheap."""
    kept: list[Step] = []
    for one in steps(step):
        if len(kept) == n:
            break
        kept.append(one)
    copy: Step | None = None
    for one in reversed(kept):
        copy = push_step(copy, one.content, one.ops)
    return copy
