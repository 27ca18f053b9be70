"""What a session needs to know to turn messages into text; a journal's header keeps it."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Literal

from nearkey.bounds import whole_number
from nearkey.errors import NearkeyError

_RANGES = (("k", 1, 10_000), ("undo_limit", 0, 1_000_000), ("context_chars", 1, 1_000_000))

Attach = Literal["closer", "opener", "joiner", "spaced", "word", "white"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spacing:
    """Which marks attach to which side. Common practice in English typing, no source.

    closers : attach to the word before; a space follows. openers : attach to the word after; a
    space stands before. joiners : attach to both sides. quotes : open where the number of them
    before the cursor is even, close where it is odd. Other marks stand like words, with spaces on
    both sides. A character in more than one set belongs to the first of closers, openers, joiners,
    quotes.

    These are defaults for running text; other languages differ (“ closes in German), so a session
    takes its own.
    """

    closers: str = ".,;:!?…)]}%°”»"
    openers: str = "([{¿¡“„‚‘«#@$£€"
    joiners: str = "'’-‐‑–—/\\_"
    quotes: str = '"'

    def attach(self, char: str, before: str = "") -> Attach:
        """How one character attaches; `before` is the text before it, which decides about quotes."""
        if char.isspace():
            return "white"
        if char in self.closers:
            return "closer"
        if char in self.openers:
            return "opener"
        if char in self.joiners:
            return "joiner"
        if char in self.quotes:
            # Within the line: a quotation left open in another paragraph is not this one's.
            return "closer" if before[before.rfind("\n") + 1 :].count(char) % 2 else "opener"
        return "word" if char.isalnum() or _combines(char) else "spaced"

    def is_mark(self, char: str) -> bool:
        """Whether a character is a mark rather than part of a word or white space."""
        return self.attach(char) not in ("word", "white")

    def lead(self, before: str) -> bool:
        """Whether a word that begins after this text needs a space first."""
        if not before:
            return False
        return self.attach(before[-1], before[:-1]) in ("word", "closer", "spaced")

    def trail(self, after: str) -> bool:
        """Whether a word that ends before this character needs a space after it."""
        if not after or after in self.quotes:
            return False
        return self.attach(after) in ("word", "opener", "spaced")


def _combines(char: str) -> bool:
    # Marks of categories Mn and Mc belong to the letter before them.
    return unicodedata.category(char)[0] == "M"


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSettings:
    """Settings of a session.

    k : candidates asked for, 1 to 10,000.
    undo_limit : messages that can be undone at least (up to twice as many are kept). None is all, and every line of a
        journal is kept: then memory, journal and the time to restore grow with every message.
    context_chars : how much of the text before a word the decoder is told at least, in characters, cut at a
        white space; at most twice that, so that its beginning need not move with every word. An n-gram model looks
        at a few words only.
    spacing : which marks attach to which side.
    auto_capitals : whether words get the capitals the decoder would write; without, letters are small unless the
        person asked for capitals, as a study of lower-case phrases needs it.
    """

    k: int = 5
    undo_limit: int | None = 1000
    context_chars: int = 200
    spacing: Spacing = field(default_factory=Spacing)
    auto_capitals: bool = True

    def __post_init__(self) -> None:
        for name, low, high in _RANGES:
            value = getattr(self, name)
            if value is None and name == "undo_limit":
                continue
            whole_number(
                value, low=low, high=high, error=NearkeyError, where="session settings", field=name
            )
