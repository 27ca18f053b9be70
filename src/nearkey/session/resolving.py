"""Resolving: the decoder is asked here, and its answers are written into the message; and what watchers are told."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from nearkey.decode import LiveDecoder
from nearkey.decode.touches import LARGEST_COORDINATE, MOST_TOUCHES
from nearkey.errors import DecodeError
from nearkey.layout import Key
from nearkey.session import messages as msg
from nearkey.session.content import Content
from nearkey.session.messages import Effect, Message, Notice, snake_case
from nearkey.session.reducer import START, State, reduce
from nearkey.session.session_reader import SessionReader


def step(
    state: State, message: Message, decoder: LiveDecoder | SessionReader
) -> tuple[State, tuple[Effect, ...]]:
    """One message, resolved and reduced. Nothing is changed in place; the same arguments give the same answer.

    decoder : a decoder, or a `SessionReader` of one, which brings settings and a person's store and
    remembers its last answers. A message that does nothing gives the state back, and no effects.
    """
    reader = decoder if isinstance(decoder, SessionReader) else SessionReader(decoder)
    resolved = resolve(state.content, message, reader)
    return (state, ()) if resolved is None else reduce(state, resolved, reader.settings)


def replay(
    messages: Iterable[Message], decoder: LiveDecoder | SessionReader, *, state: State = START
) -> State:
    """The state after many messages, one `step` after another."""
    reader = decoder if isinstance(decoder, SessionReader) else SessionReader(decoder)
    for message in messages:
        state, _ = step(state, message, reader)
    return state


def resolve(content: Content, message: Message, reader: SessionReader) -> Message | None:
    """A message with all that the decoder has to say settled in it, for this content.

    It may be another message: a touch on a function key is what that key does. None where it does nothing.
    """
    t = message.time_s
    match message:
        case msg.Tap():
            return _tap(content, message, reader)
        case msg.Accept(rank=rank):
            return _accept(content, rank, t, reader)
        case msg.Commit() | msg.Space():
            close = reader.close(content)
            if close is not None:
                return msg.Commit(time_s=t, close=close)
            return message if isinstance(message, msg.Space) else None
        case msg.Mark(text=text):
            return _mark(content, text, t, reader)
        case msg.Insert(text=text):
            return msg.Insert(text, time_s=t, close=reader.close(content)) if text else None
        case msg.Delete():
            word = content.composition
            at_start = word is not None and not word.strokes and bool(word.tail)
            ends = at_start and not _accepted(content)
            return msg.Delete(time_s=t, close=reader.close(content) if ends else None)
        case msg.Move(position=position):
            return _move(content, position, t, reader)
        case msg.Pick():
            return _pick(content, message, reader)
        case msg.Spell(on=None):
            return msg.Spell(not content.spell, time_s=t)
        case msg.Shift(mode=None):
            return msg.Shift(_next_shift(content), time_s=t)
        case msg.CapsLock(on=None):
            return msg.CapsLock(not content.caps, time_s=t)
        case msg.AddWord(word=word):
            return _add_word(word, t, reader)
    return message


def _next_shift(content: Content) -> msg.ShiftMode:
    if content.shift == "lower":
        return ""
    return "upper" if content.shift == "" and not content.caps else "lower"


# ---- touches ----


def _tap(content: Content, tap: msg.Tap, reader: SessionReader) -> Message | None:
    if not (abs(tap.x) <= LARGEST_COORDINATE and abs(tap.y) <= LARGEST_COORDINATE):
        raise DecodeError("lies on no surface", where="tap", field="x, y", fix="drop the touch")
    key = reader.key_of(tap.x, tap.y)
    if key is None or key.role == "letters":
        ends = content.past_word or _accepted(content)
        if _full(content) and not ends:
            return None
        close = reader.close(content) if ends else None
        return msg.Tap(
            tap.x, tap.y, time_s=tap.time_s, key="" if key is None else key.id, close=close
        )
    message = _of_key(content, key, tap.time_s, reader)
    if message is None:
        return _mark_touch(content, tap, key, reader)
    return resolve(content, message, reader)


def _of_key(content: Content, key: Key, t: float, reader: SessionReader) -> Message | None:
    """The message a function key stands for; None for keys that type letters or a choice of marks."""
    match key.role:
        case "space":
            return msg.Space(time_s=t)
        case "delete":
            return msg.Delete(time_s=t)
        case "shift":
            return msg.Shift(time_s=t)
        case "candidate":
            return msg.Accept(reader.candidate_rank(key), time_s=t)
        case "accept":
            return msg.Accept(next_rank(content, len(reader.candidates(content))), time_s=t)
        case "punctuation" if len(key.letters) == 1:
            return msg.Mark(key.letters, time_s=t)
        case _:
            return None


def next_rank(content: Content, listed: int) -> int:
    """The accept key steps through the list of so many: the first press takes the first."""
    word = content.composition
    if word is None or word.locked is None or word.locked.rank is None:
        return 0
    return (word.locked.rank + 1) % max(listed, 1)


def _mark_touch(content: Content, tap: msg.Tap, key: Key, reader: SessionReader) -> Message | None:
    """A touch on a key that may mean several marks."""
    ends = _accepted(content)
    if _full(content) and not ends:
        return None
    letter = ""
    role: Literal["symbol", "mark"] = "symbol"
    if _takes_marks(content):
        role = "mark"
        before = reader.context(content.before) + reader.shown(content)
        letter = reader.best_mark(before, key.letters)
    else:
        ends = ends or content.past_word or key.role == "punctuation"
    close = reader.close(content) if ends else None
    return msg.Tap(
        tap.x,
        tap.y,
        time_s=tap.time_s,
        role=role,
        key=key.id,
        letter=letter,
        options=key.letters,
        close=close,
    )


# ---- the rest ----


def _full(content: Content) -> bool:
    """Whether the composition has as many touches as a word may have: what comes after does nothing."""
    return content.composition is not None and len(content.composition.all) >= MOST_TOUCHES


def _accepted(content: Content) -> bool:
    return content.composition is not None and content.composition.accepted


def _takes_marks(content: Content) -> bool:
    """Whether marks belong into the composition as they are: it is being spelled, say an address."""
    word = content.composition
    if content.spell or word is None or word.accepted:
        return content.spell
    return content.spelled or (word.picked and not content.past_word)


def _mark(content: Content, text: str, t: float, reader: SessionReader) -> Message | None:
    if not text:
        return None
    if any(c.isspace() for c in text):
        return msg.Insert(text, time_s=t, close=reader.close(content))
    literal = _takes_marks(content)
    ends = _accepted(content) or not literal
    if literal and not ends and (_full(content) or len(text) > MOST_TOUCHES):
        return None
    return msg.Mark(text, literal, time_s=t, close=reader.close(content) if ends else None)


def _accept(content: Content, rank: int, t: float, reader: SessionReader) -> Message | None:
    found = reader.candidates(content)
    if not 0 <= rank < len(found):
        return None
    close = reader.as_resolution(found[rank], rank=rank, explicit=True, mark=content.lone_mark)
    return msg.Accept(time_s=t, close=close)


def _move(content: Content, position: int, t: float, reader: SessionReader) -> Message | None:
    text, cursor = reader.view(content)
    position = min(max(position, 0), len(text))
    return None if position == cursor else msg.Move(position, time_s=t, close=reader.close(content))


def _pick(content: Content, pick: msg.Pick, reader: SessionReader) -> Message | None:
    at = reader.pick_position(content, pick.at)
    if at is None:
        return None
    letter = pick.letter
    if not isinstance(letter, str):
        found = reader.letters(content, at)
        if not 0 <= letter < len(found):
            return None
        letter = found[letter][0]
    return msg.Pick(letter, at, time_s=pick.time_s)


def _add_word(word: str, t: float, reader: SessionReader) -> Message | None:
    word = word.strip()
    if not word or not reader.may_add(word):
        return None
    return msg.AddWord(word, time_s=t)


# ---- what watchers are told ----


def notice_of(
    old: State,
    new: State,
    message: Message,
    resolved: Message | None,
    reader: SessionReader,
    *,
    private: bool = False,
) -> Notice:
    """What those who watch are told of a message that led from one state to another.

    private : of a private session, which tells its kind and time alone.
    """
    what, changed = resolved or message, new is not old
    if private:
        return Notice(kind=_kind(what), time_s=message.time_s, changed=changed, private=True)
    x = y = None
    key_id = ""
    if isinstance(message, msg.Tap):
        x, y = message.x, message.y
        key_id = resolved.key if isinstance(resolved, msg.Tap) else ""
        if not key_id:
            key = reader.decoder.key_at((x, y))
            key_id = key.id
            if resolved is None:
                what = _of_key(old.content, key, message.time_s, reader) or message
    text, cursor = reader.view(new.content)
    close = resolved.close if isinstance(resolved, msg.Closing) else None
    chosen = close if isinstance(resolved, msg.Accept) else None
    return Notice(
        kind=_kind(what),
        time_s=message.time_s,
        changed=changed,
        text=text,
        cursor=cursor,
        candidates=reader.candidates(new.content),
        x=x,
        y=y,
        key=key_id,
        rank=None if chosen is None else chosen.rank,
        word="" if chosen is None else chosen.text + chosen.marks,
        committed=None if chosen is not None else close,
    )


def _kind(message: Message) -> str:
    """The session's verb for a message."""
    return snake_case(type(message).__name__)
