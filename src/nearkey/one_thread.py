"""Objects that one thread uses at a time: a second one is told, before it can spoil anything."""

from __future__ import annotations

import threading

from nearkey.errors import NearkeyError


class OneThread:
    """Which thread an object belongs to: the one that made it, until another takes it over.

    what : how the object is called in the error. error : class of what is raised.
    """

    __slots__ = ("_error", "_owner", "_what")

    def __init__(self, what: str, error: type[NearkeyError]) -> None:
        self._what = what
        self._error = error
        self._owner = threading.get_ident()

    def check(self) -> None:
        """Raise where this is another thread than the object's."""
        if threading.get_ident() != self._owner:
            raise self._error(
                "is used by another thread than its own",
                where=self._what,
                fix="give each thread its own, or call take_over() while no other is at work in it",
            )

    def take(self) -> None:
        """The object is this thread's from now on."""
        self._owner = threading.get_ident()
