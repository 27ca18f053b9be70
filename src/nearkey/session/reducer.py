"""The reducer: a state and a message in, a state and effects out. Pure.

It asks no decoder: messages come resolved, so a journal restores a session by this alone.
"""

from __future__ import annotations

from itertools import islice

import msgspec
from msgspec.structs import replace

from nearkey.session import messages as msg
from nearkey.session.content import (
    EMPTY,
    Chain,
    Composition,
    Content,
    Piece,
    Stroke,
    iterate,
    near_expanded,
    push,
)
from nearkey.session.editing import (
    Ending,
    close_composition,
    delete_char,
    move_cursor,
    place_mark,
    reopen,
    split_at_cursor,
    tidy,
)
from nearkey.session.messages import Effect, Message, Observation, Resolution, StoreEffect
from nearkey.session.settings import SessionSettings

# ---- the state ----


class Step(msgspec.Struct, frozen=True):
    """What undo goes back to: a content, the store effects of leaving it, and the message that left it."""

    content: Content
    effects: tuple[StoreEffect, ...]
    message: Message


class State(msgspec.Struct, frozen=True):
    """All of a session. `content` says what stands in the editor.

    past, future : what can be undone, and redone, newest first. Every step holds a whole content;
    contents share what they have in common. observations : words confirmed so far; it only grows.
    """

    content: Content = EMPTY
    past: Chain[Step] | None = None
    future: Chain[Step] | None = None
    observations: int = 0


START = State()


def _pushed(steps: Chain[Step] | None, step: Step) -> Chain[Step]:
    return Chain(step, steps, 1 if steps is None else steps.size + 1)


def _newest(steps: Chain[Step], n: int) -> Chain[Step] | None:
    """A copy of the newest n steps; done once in n edits, so that an edit stays cheap."""
    copy: Chain[Step] | None = None
    for size, step in enumerate(reversed(list(islice(iterate(steps), n))), start=1):
        copy = Chain(step, copy, size)
    return copy


# ---- reducing ----

_TEXT = msg.TextChanged()
_CANDIDATES = msg.CandidatesChanged()


def reduce(
    state: State, message: Message, settings: SessionSettings
) -> tuple[State, tuple[Effect, ...]]:
    """The state after a resolved message, and its effects; the same state where it changes nothing.

    Total: it answers to any message in any state. Of one that is not resolved, what is not settled does nothing.
    """
    new, effects = _reduced(state, message, settings)
    if new is state:
        return state, ()
    if isinstance(message, msg.AddWord):
        return new, (*effects, msg.Record(message), _CANDIDATES)
    return new, (*effects, msg.Record(message), _TEXT, _CANDIDATES)


def _reduced(
    state: State, message: Message, settings: SessionSettings
) -> tuple[State, tuple[StoreEffect, ...]]:
    content, past, future, n = state.content, state.past, state.future, state.observations
    if isinstance(message, msg.Undo):
        if past is None:
            return state, ()
        left = past.item
        future = _pushed(future, Step(content, left.effects, left.message))
        return State(left.content, past.rest, future, n), msg.inverse(left.effects)
    if isinstance(message, msg.Redo):
        if future is None:
            return state, ()
        left = future.item
        past = _pushed(past, Step(content, left.effects, left.message))
        return State(left.content, past, future.rest, n), left.effects
    edit = _Edit(state, settings)
    if isinstance(message, msg.Tap):
        edit.tap(message)
    else:
        edit.do(message)
        if edit.content == content and not edit.effects:
            return state, ()
    effects = tuple(edit.effects)
    past = _pushed(past, Step(content, effects, message))
    limit = settings.undo_limit
    if limit is not None and past.size > 2 * limit:
        past = _newest(past, limit)
    return State(_near(edit.content), past, None, edit.observations), effects


def _near(content: Content) -> Content:
    before = near_expanded(content.before, ahead=False)
    after = near_expanded(content.after, ahead=True)
    if before is content.before and after is content.after:
        return content
    return replace(content, before=before, after=after)


_NEW = Composition()


class _Edit:
    """One message at work: the content as it changes, and what those who learn are to be told."""

    __slots__ = ("content", "effects", "observations", "settings")

    def __init__(self, state: State, settings: SessionSettings) -> None:
        self.content = state.content
        self.settings = settings
        self.observations = state.observations
        self.effects: list[StoreEffect] = []

    def do(self, message: Message) -> None:
        content = self.content
        match message:
            case msg.Accept(close=close):
                self._accept(close)
            case msg.Commit(close=close):
                self._close(close, "space")
            case msg.Space():
                self._space()
            case msg.Mark():
                self._mark(message)
            case msg.Insert(text=text, close=close):
                self._close(close, "keep")
                self._forget(split_at_cursor(self.content))
                self._put(Piece(text, "text"))
            case msg.Delete(close=close):
                self._delete(close)
            case msg.Move(position=position, close=close):
                self._close(close, "keep")
                self.content = move_cursor(self.content, position)
            case msg.Reopen():
                self._forget(reopen(content))
            case msg.Pick(at=int(at), letter=str(letter)):
                self._pick(at, letter)
            case msg.Spell(on=bool(on)):
                self.content = replace(content, spell=on)
            case msg.Shift(mode=str(mode)):
                self.content = replace(content, shift=mode)
            case msg.CapsLock(on=bool(on)):
                self.content = replace(content, caps=on)
            case msg.AddWord(word=word):
                self.effects.append(msg.StoreWord(word))
            case msg.Clear():
                self.content = replace(EMPTY, caps=content.caps, spell=content.spell)

    # ---- parts ----

    def _close(self, close: Resolution | None, ending: Ending) -> None:
        if close is None or self.content.composition is None:
            return
        self.content, observation = close_composition(
            self.content, close, ending, self.settings, self.observations
        )
        if observation is not None:
            self.observations += 1
            self.effects.append(msg.Learn(observation))

    def _forget(self, edited: tuple[Content, Observation | None]) -> None:
        self.content, observation = edited
        if observation is not None:
            self.effects.append(msg.Forget(observation))

    def _put(self, piece: Piece) -> None:
        self.content = replace(self.content, before=push(self.content.before, piece))

    def _compose(self, word: Composition | None) -> None:
        self.content = replace(self.content, composition=word)

    def _accept(self, close: Resolution | None) -> None:
        if close is None:
            return
        if self.content.composition is None:
            # A predicted word: it took the case that was waiting for the next letter.
            self._forget(split_at_cursor(self.content))
            word = Composition(locked=close, accepted=True)
            self.content = replace(self.content, composition=word, shift="")
        else:
            self._compose(replace(self.content.composition, locked=close, accepted=True))

    def tap(self, tap: msg.Tap) -> None:
        """A touch. Spelled out field by field: this is what a person waits for."""
        letter = tap.role == "letter"
        if tap.close is not None:
            self._close(tap.close, "space" if letter else "join")
        if self.content.offset:
            self._enter()
        content = self.content
        stroke = Stroke(
            tap.x,
            tap.y,
            tap.time_s,
            tap.role,
            content.next_case if letter else "",
            tap.letter,
            tap.options,
        )
        word = content.composition or _NEW
        self.content = Content(
            content.before,
            content.after,
            content.offset,
            word.edited((*word.strokes, stroke), word.tail),
            "" if letter else content.shift,
            content.caps,
            content.spell,
        )

    def _enter(self) -> None:
        """A touch with the cursor inside a piece: into a word's own touches, or between two halves."""
        after = self.content.after
        if after is not None:
            piece = after.item
            whole = piece.source in ("completion", "prediction")
            if piece.kind == "word" and piece.strokes and not whole:
                self._forget(reopen(self.content))
                return
        self._forget(split_at_cursor(self.content))

    def _space(self) -> None:
        self._forget(split_at_cursor(self.content))
        before = self.content.before
        own = Piece(" ", "space")
        if before is not None and before.item.auto:
            self.content = replace(self.content, before=push(before.rest, own))
        else:
            self._put(own)

    def _mark(self, mark: msg.Mark) -> None:
        self._close(mark.close, "join")
        if mark.literal:
            if self.content.offset:
                self._enter()
            word = self.content.composition or _NEW
            strokes = tuple(Stroke(None, None, mark.time_s, "mark", "", c) for c in mark.text)
            self._compose(word.edited((*word.strokes, *strokes), word.tail))
        elif self.content.offset:
            self._forget(split_at_cursor(self.content))
            self._put(Piece(mark.text, "mark"))
        else:
            self.content = place_mark(self.content, mark.text, "space", self.settings)

    def _delete(self, close: Resolution | None) -> None:
        word = self.content.composition
        if word is not None and close is not None:
            # The caret stands before the word's first touch: the word stays, on the cursor's right.
            self._close(close, "keep")
            before = self.content.before
            if before is not None and before.item.kind == "word":
                after = push(self.content.after, before.item)
                self.content = replace(self.content, before=before.rest, after=after)
            self._forget(delete_char(self.content))
        elif word is None:
            self._forget(delete_char(self.content))
        elif word.accepted:
            self._compose(replace(word, locked=None, accepted=False) if word.all else None)
        elif word.strokes:
            left = word.edited(word.strokes[:-1], word.tail)
            self._compose(left if left.all else None)
        else:
            self._compose(None)
        if self.content.composition is None and word is not None:
            self.content = tidy(self.content)

    def _pick(self, at: int, letter: str) -> None:
        word = self.content.composition
        if word is None or at >= len(word.all):
            return
        strokes = list(word.all)
        strokes[at] = replace(strokes[at], letter=letter)
        n = len(word.strokes)
        self._compose(word.edited(tuple(strokes[:n]), tuple(strokes[n:])))
