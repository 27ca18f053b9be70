"""From events to actions: the decoder is asked here, and its answer is written into the action."""

from __future__ import annotations

from typing import Literal

from nearkey.layout import Key
from nearkey.session import actions as act
from nearkey.session import events as ev
from nearkey.session.actions import Action
from nearkey.session.content import Content
from nearkey.session.events import Event
from nearkey.session.reader import Reader

__all__ = ["decide"]


def decide(content: Content, event: Event, reader: Reader) -> Action | None:
    """What an event does to this content; None where it does nothing."""
    t = event.time_s
    match event:
        case ev.Tap():
            return _tap(content, event, reader)
        case ev.Accept(rank=rank):
            return _accept(content, rank, t, reader)
        case ev.Commit():
            close = reader.close(content)
            return None if close is None else act.Commit(t=t, close=close)
        case ev.Space():
            close = reader.close(content)
            return act.Space(t=t) if close is None else act.Commit(t=t, close=close)
        case ev.Mark(text=text):
            return _mark(content, text, t, reader)
        case ev.Insert(text=text):
            if not text:
                return None
            return act.Insert(t=t, text=text, close=reader.close(content))
        case ev.Delete():
            return _delete(content, t, reader)
        case ev.Move(position=position):
            return _move(content, position, t, reader)
        case ev.Reopen():
            return act.Reopen(t=t)
        case ev.Pick():
            return _pick(content, event, reader)
        case ev.Spell(on=on):
            return act.Spell(t=t, on=not content.spell if on is None else on)
        case ev.Shift(mode=mode):
            return act.Shift(t=t, mode=_next_shift(content) if mode is None else mode)
        case ev.CapsLock(on=on):
            return act.CapsLock(t=t, on=not content.caps if on is None else on)
        case ev.AddWord(word=word):
            return _add_word(word, t, reader)
        case ev.Clear():
            return act.Clear(t=t)
        case ev.Undo():
            return act.Undo(t=t)
        case ev.Redo():
            return act.Redo(t=t)


def _next_shift(content: Content) -> Literal["", "upper", "lower"]:
    if content.shift == "lower":
        return ""
    return "upper" if content.shift == "" and not content.caps else "lower"


def _tap(content: Content, tap: ev.Tap, reader: Reader) -> Action | None:
    t = tap.time_s
    key = reader.key_of(tap.x, tap.y)
    role = "letters" if key is None else key.role
    if role == "letters":
        ends = content.past_word or _accepted(content)
        return act.Touch(
            t=t,
            x=tap.x,
            y=tap.y,
            key="" if key is None else key.id,
            close=reader.close(content) if ends else None,
        )
    assert key is not None
    event = event_of_key(content, key, t, reader)
    return (
        _mark_touch(content, tap, key, reader) if event is None else decide(content, event, reader)
    )


def event_of_key(content: Content, key: Key, t: float, reader: Reader) -> Event | None:
    """The event a function key stands for; None for keys that type letters or a choice of marks."""
    match key.role:
        case "space":
            return ev.Space(t)
        case "delete":
            return ev.Delete(t)
        case "shift":
            return ev.Shift(None, t)
        case "candidate":
            return ev.Accept(reader.candidate_rank(key), t)
        case "accept":
            return ev.Accept(_next_rank(content, reader), t)
        case "punctuation" if len(key.letters) == 1:
            return ev.Mark(key.letters, t)
        case _:
            return None


def _next_rank(content: Content, reader: Reader) -> int:
    """The accept key steps through the list: the first press takes the first."""
    held = None if content.open is None else content.open.held
    if held is None or held.rank is None:
        return 0
    return (held.rank + 1) % max(len(reader.candidates(content)), 1)


def _mark_touch(content: Content, tap: ev.Tap, key: Key, reader: Reader) -> Action:
    """A touch on a key that may mean several marks."""
    ends = _accepted(content)
    letter = ""
    role: Literal["symbol", "mark"] = "symbol"
    if _takes_marks(content):
        role = "mark"
        before = reader.context(content.before) + reader.shown(content)
        letter = reader.best_mark(before, key.letters)
    else:
        ends = ends or content.past_word or key.role == "punctuation"
    return act.Touch(
        t=tap.time_s,
        x=tap.x,
        y=tap.y,
        role=role,
        key=key.id,
        letter=letter,
        options=key.letters,
        close=reader.close(content) if ends else None,
    )


def _accepted(content: Content) -> bool:
    word = content.open
    return word is not None and word.held is not None and word.held.accepted


def _takes_marks(content: Content) -> bool:
    """Whether marks belong into the open word as they are: it is being spelled, say an address."""
    word = content.open
    if content.spell or word is None or _accepted(content):
        return content.spell
    return content.spelled or (word.picked and not content.past_word)


def _mark(content: Content, text: str, t: float, reader: Reader) -> Action | None:
    if not text:
        return None
    if any(c.isspace() for c in text):
        return act.Insert(t=t, text=text, close=reader.close(content))
    if _takes_marks(content):
        close = reader.close(content) if _accepted(content) else None
        return act.Mark(t=t, text=text, literal=True, close=close)
    return act.Mark(t=t, text=text, close=reader.close(content))


def _accept(content: Content, rank: int, t: float, reader: Reader) -> Action | None:
    found = reader.candidates(content)
    if not 0 <= rank < len(found):
        return None
    close = reader.as_close(found[rank], rank=rank, explicit=True, mark=content.open_mark)
    return act.Choose(t=t, close=close)


def _delete(content: Content, t: float, reader: Reader) -> Action:
    word = content.open
    at_start = word is not None and not word.strokes and bool(word.tail)
    ends = at_start and not _accepted(content)
    return act.Delete(t=t, close=reader.close(content) if ends else None)


def _move(content: Content, position: int, t: float, reader: Reader) -> Action | None:
    text, cursor = reader.view(content)
    position = min(max(position, 0), len(text))
    if position == cursor:
        return None
    return act.Move(t=t, position=position, close=reader.close(content))


def _pick(content: Content, pick: ev.Pick, reader: Reader) -> Action | None:
    at = reader.pick_position(content, pick.at)
    if at is None:
        return None
    letter = pick.letter
    if not isinstance(letter, str):
        found = reader.letters(content, at)
        if not 0 <= letter < len(found):
            return None
        letter = found[letter][0]
    return act.Pick(t=pick.time_s, at=at, letter=letter)


def _add_word(word: str, t: float, reader: Reader) -> Action | None:
    word = word.strip()
    if not word or reader.personal is None or not reader.may_add or word in reader.personal:
        return None
    return act.AddWord(t=t, word=word)
