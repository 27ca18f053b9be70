"""Actions applied to a state. Pure, total, and without a decoder: a journal restores by this alone."""

from __future__ import annotations

from dataclasses import replace

from nearkey.session import actions as act
from nearkey.session.actions import Action, Close
from nearkey.session.content import EMPTY, Content, Held, Open
from nearkey.session.editing import Ending, close_open, place_mark
from nearkey.session.effects import Forget, Learn, Op, StoreWord, inverse
from nearkey.session.history import State, push_step, record
from nearkey.session.opening import (
    delete_char,
    move_cursor,
    reopen,
    split_at_cursor,
    tidy,
)
from nearkey.session.pieces import Lesson, Piece, Stroke, push
from nearkey.session.settings import Settings

__all__ = ["apply"]

_NEW = Open()


def apply(state: State, action: Action, settings: Settings) -> tuple[State, tuple[Op, ...]]:
    """The state after an action, and what the person's store is to be told.

    The same state where the action changes nothing.
    """
    if isinstance(action, act.Undo):
        return _undo(state)
    if isinstance(action, act.Redo):
        return _redo(state)
    edit = _Edit(state, settings)
    if isinstance(action, act.Touch):
        edit.touch(action)
    else:
        edit.do(action)
        if edit.content == state.content and not edit.ops:
            return state, ()
    ops = tuple(edit.ops)
    return record(state, edit.content, ops, edit.lessons, settings.undo_limit), ops


def _undo(state: State) -> tuple[State, tuple[Op, ...]]:
    past = state.past
    if past is None:
        return state, ()
    future = push_step(state.future, state.content, past.ops)
    return State(past.content, past.rest, future, state.lessons), inverse(past.ops)


def _redo(state: State) -> tuple[State, tuple[Op, ...]]:
    future = state.future
    if future is None:
        return state, ()
    past = push_step(state.past, state.content, future.ops)
    return State(future.content, past, future.rest, state.lessons), future.ops


class _Edit:
    """One action at work: the content as it changes, and the lessons given and taken back."""

    __slots__ = ("content", "lessons", "ops", "settings")

    def __init__(self, state: State, settings: Settings) -> None:
        self.content = state.content
        self.settings = settings
        self.lessons = state.lessons
        self.ops: list[Op] = []

    def do(self, action: Action) -> None:
        match action:
            case act.Choose(close=close):
                self._choose(close)
            case act.Commit(close=close):
                self._close(close, "space")
            case act.Space():
                self._space()
            case act.Mark():
                self._mark(action)
            case act.Insert(text=text, close=close):
                self._close(close, "keep")
                self._forget(split_at_cursor(self.content))
                self._put(Piece(text, "text"))
            case act.Delete(close=close):
                self._delete(close)
            case act.Move(position=position, close=close):
                self._close(close, "keep")
                self.content = move_cursor(self.content, position)
            case act.Reopen():
                self._forget(reopen(self.content))
            case act.Pick(at=at, letter=letter):
                self._pick(at, letter)
            case act.Spell(on=on):
                self.content = replace(self.content, spell=on)
            case act.Shift(mode=mode):
                self.content = replace(self.content, shift=mode)
            case act.CapsLock(on=on):
                self.content = replace(self.content, caps=on)
            case act.AddWord(word=word):
                self.ops.append(StoreWord(word))
            case act.Clear():
                modes = self.content
                self.content = replace(EMPTY, caps=modes.caps, spell=modes.spell)

    # ---- parts ----

    def _close(self, close: Close | None, ending: Ending) -> None:
        if close is None or self.content.open is None:
            return
        self.content, lesson = close_open(self.content, close, ending, self.settings, self.lessons)
        if lesson is not None:
            self.lessons += 1
            self.ops.append(Learn(lesson))

    def _forget(self, edited: tuple[Content, Lesson | None]) -> None:
        self.content, lesson = edited
        if lesson is not None:
            self.ops.append(Forget(lesson))

    def _put(self, piece: Piece) -> None:
        self.content = replace(self.content, before=push(self.content.before, piece))

    def _choose(self, close: Close) -> None:
        held = Held(
            close.text,
            close.word,
            close.kind,
            close.marks,
            close.rank,
            accepted=True,
            explicit=True,
        )
        if self.content.open is None:
            # A predicted word: it took the case that was waiting for the next letter.
            self._forget(split_at_cursor(self.content))
            self.content = replace(self.content, open=Open(held=held), shift="")
        else:
            self.content = replace(self.content, open=replace(self.content.open, held=held))

    def touch(self, touch: act.Touch) -> None:
        """A touch. Spelled out field by field: this is what a person waits for."""
        if touch.close is not None:
            self._close(touch.close, "space" if touch.role == "letter" else "join")
        if self.content.offset:
            self._enter()
        content = self.content
        letter = touch.role == "letter"
        stroke = Stroke(
            touch.x,
            touch.y,
            touch.t,
            touch.role,
            content.next_case if letter else "",
            touch.letter,
            touch.options,
        )
        word = content.open or _NEW
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
            piece = after.piece
            whole = piece.source in ("completion", "prediction")
            if piece.kind == "word" and piece.strokes and not whole:
                self._forget(reopen(self.content))
                return
        self._forget(split_at_cursor(self.content))

    def _space(self) -> None:
        self._forget(split_at_cursor(self.content))
        before = self.content.before
        own = Piece(" ", "space")
        if before is not None and before.piece.auto:
            self.content = replace(self.content, before=push(before.rest, own))
        else:
            self._put(own)

    def _mark(self, mark: act.Mark) -> None:
        self._close(mark.close, "join")
        if mark.literal:
            if self.content.offset:
                self._enter()
            word = self.content.open or Open()
            strokes = tuple(Stroke(None, None, mark.t, "mark", "", char) for char in mark.text)
            self.content = replace(
                self.content, open=word.edited((*word.strokes, *strokes), word.tail)
            )
        elif self.content.offset:
            self._forget(split_at_cursor(self.content))
            self._put(Piece(mark.text, "mark"))
        else:
            self.content = place_mark(self.content, mark.text, "space", self.settings)

    def _delete(self, close: Close | None) -> None:
        word = self.content.open
        if word is not None and close is not None:
            # The caret stands before the word's first touch: the word stays, on the cursor's right.
            self._close(close, "keep")
            before = self.content.before
            if before is not None and before.piece.kind == "word":
                after = push(self.content.after, before.piece)
                self.content = replace(self.content, before=before.rest, after=after)
            self._forget(delete_char(self.content))
        elif word is None:
            self._forget(delete_char(self.content))
        elif word.held is not None and word.held.accepted:
            left = replace(word, held=None) if word.all else None
            self.content = replace(self.content, open=left)
        elif word.strokes:
            left = word.edited(word.strokes[:-1], word.tail)
            self.content = replace(self.content, open=left if left.all else None)
        else:
            self.content = replace(self.content, open=None)
        if self.content.open is None and word is not None:
            self.content = tidy(self.content)

    def _pick(self, at: int, letter: str) -> None:
        word = self.content.open
        if word is None or at >= len(word.all):
            return
        strokes = list(word.all)
        strokes[at] = replace(strokes[at], letter=letter)
        n = len(word.strokes)
        self.content = replace(
            self.content, open=word.edited(tuple(strokes[:n]), tuple(strokes[n:]))
        )
