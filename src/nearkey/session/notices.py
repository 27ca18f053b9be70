"""What a session tells those who watch it: a study log, a simulated typist, a display."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from nearkey.decode import Candidate
from nearkey.session import actions as act
from nearkey.session import events as ev
from nearkey.session.actions import Action, Close
from nearkey.session.decide import event_of_key
from nearkey.session.history import State
from nearkey.session.reader import Reader

__all__ = ["Notice", "Observer", "kind_of", "notice_of", "private_notice"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One event and how the session stood after it.

    kind : the `Session` verb it came to: "tap" for a touch on letters or a choice of marks;
        "delete", "accept", "commit" and so on also where a function key was touched.
    time_s : seconds since the session began. changed : whether it changed anything.
    text, cursor, candidates : after it, as the person sees them.
    x, y, key : of a touch; key is the id of its most probable key.
    rank, word : of an accepted candidate.
    committed : the word that became text by this event; its rank is None where the list had no say.

    In a private session all but kind, time and changed is left at its default.
    """

    kind: str
    time_s: float
    changed: bool
    text: str = ""
    cursor: int = 0
    candidates: tuple[Candidate, ...] = ()
    x: float | None = None
    y: float | None = None
    key: str = ""
    rank: int | None = None
    word: str = ""
    committed: Close | None = None
    private: bool = False


Observer = Callable[[Notice], Any]


def kind_of(what: Action | ev.Event) -> str:
    """The session's verb for an action or event."""
    if isinstance(what, act.Touch | ev.Tap):
        return "tap"
    if isinstance(what, act.Choose):
        return "accept"
    name = type(what).__name__
    return "".join(f"_{c.lower()}" if c.isupper() else c for c in name).lstrip("_")


def private_notice(event: ev.Event, action: Action | None, *, changed: bool) -> Notice:
    """What observers are told of a private session."""
    kind = kind_of(event if action is None else action)
    return Notice(kind=kind, time_s=event.time_s, changed=changed, private=True)


def notice_of(
    old: State, new: State, event: ev.Event, action: Action | None, reader: Reader
) -> Notice:
    """What observers are told of an event that led from one state to another."""
    what: Action | ev.Event = event if action is None else action
    x = y = None
    key_id = ""
    if isinstance(event, ev.Tap):
        x, y = event.x, event.y
        key_id = action.key if isinstance(action, act.Touch) else ""
        if not key_id:
            key = reader.decoder.key_at((x, y))
            key_id = key.id
            if action is None:
                what = event_of_key(old.content, key, event.time_s, reader) or event
    text, cursor = reader.view(new.content)
    close: Close | None = getattr(action, "close", None)
    chosen = close if isinstance(action, act.Choose) else None
    return Notice(
        kind=kind_of(what),
        time_s=event.time_s,
        changed=new is not old,
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
