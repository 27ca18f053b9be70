"""What a session needs to know to turn events into text; a journal's header keeps it."""

from __future__ import annotations

from dataclasses import dataclass, field

from nearkey.errors import NearkeyError
from nearkey.session.spacing import Spacing

__all__ = ["Settings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of a session.

    k : candidates asked for, 1 or more.
    undo_limit : events that can be undone at least (up to twice as many are kept); None is all.
    context_chars : how much of the text before a word the decoder is told, in characters, cut at a
        white space; an n-gram model looks at a few words only.
    spacing : which marks attach to which side.
    """

    k: int = 5
    undo_limit: int | None = None
    context_chars: int = 200
    spacing: Spacing = field(default_factory=Spacing)

    def __post_init__(self) -> None:
        for name, low in (("k", 1), ("undo_limit", 0), ("context_chars", 1)):
            value = getattr(self, name)
            if value is None and name == "undo_limit":
                continue
            if isinstance(value, bool) or not isinstance(value, int) or value < low:
                raise NearkeyError(
                    f"is {value!r}",
                    where="session settings",
                    field=name,
                    fix=f"give a whole number from {low}",
                )
