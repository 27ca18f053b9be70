"""What a text is made of: pieces in a persistent list, words among them with their touches.

Every edit makes a new list that shares all but its head with the old one. So undo keeps whole states,
and a state costs what changed, not what there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from nearkey.session.protocols import Point

__all__ = [
    "SPACE",
    "Case",
    "Cell",
    "Lesson",
    "Piece",
    "Stroke",
    "chars",
    "first_char",
    "iterate",
    "last_char",
    "push",
    "tail_text",
    "text_after",
    "text_before",
]

Case = Literal["", "upper", "lock", "lower"]
"""What the person said about a letter's case: nothing, shift, capitals lock, or small."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """One touch of a word, or one character put into it.

    x, y : layout units; None for a character that was given and not touched.
    time_s : seconds since the session began.
    role : "letter"; "symbol", a touch that means some mark; "mark", a character taken as it is.
    case : what the person said about its case.
    letter : the letter or mark chosen for it; "" where the decoder is to say.
    options : marks on the key, for role symbol or mark; "" is any mark.
    """

    x: float | None
    y: float | None
    time_s: float
    role: Literal["letter", "symbol", "mark"] = "letter"
    case: Case = ""
    letter: str = ""
    options: str = ""

    @property
    def point(self) -> Point | None:
        """(x, y), or None where there was no touch."""
        return None if self.x is None or self.y is None else (self.x, self.y)


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one confirmed word teaches a person's store; `serial` numbers the session's lessons."""

    serial: int
    word: str
    text: str
    context: str
    points: tuple[Point, ...]
    kind: str
    explicit: bool


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of text that was entered in one go; never empty.

    kind : "word" (decoded, spelled or predicted), "mark", "space" (one space), "text" (inserted).
    strokes : its touches, where it has any.
    word, source : the lexicon's form and the `Candidate.kind` of a word.
    auto : a space that the spacing rules put there.
    lesson : what was learnt from it.
    """

    text: str
    kind: Literal["word", "mark", "space", "text"]
    strokes: tuple[Stroke, ...] = ()
    word: str = ""
    source: str = ""
    auto: bool = False
    lesson: Lesson | None = None


SPACE = Piece(" ", "space", auto=True)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Cell:
    """A persistent list of pieces: the piece nearest the cursor, and the rest away from it."""

    piece: Piece
    rest: Cell | None
    n_chars: int

    # By loops: a text has more cells than Python allows nested calls.
    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Cell):
            return NotImplemented
        mine: Cell | None = self
        theirs: Cell | None = other
        while mine is not theirs:
            if mine is None or theirs is None:
                return False
            # Lists of other lengths differ at the end of a long run of like pieces: seen here at once.
            if mine.n_chars != theirs.n_chars or mine.piece != theirs.piece:
                return False
            mine, theirs = mine.rest, theirs.rest
        return True

    def __hash__(self) -> int:
        return hash((self.piece, self.n_chars))

    def __repr__(self) -> str:
        return f"Cell({[piece.text for piece in iterate(self)]})"


def push(cell: Cell | None, piece: Piece) -> Cell:
    """The list with one more piece at the cursor's side."""
    return Cell(piece, cell, chars(cell) + len(piece.text))


def chars(cell: Cell | None) -> int:
    """Characters in the list."""
    return 0 if cell is None else cell.n_chars


def iterate(cell: Cell | None) -> Iterator[Piece]:
    """The pieces, from the cursor outwards."""
    while cell is not None:
        yield cell.piece
        cell = cell.rest


def _reversed_text(parts: Iterable[str]) -> str:
    return "".join(reversed(list(parts)))


def text_before(cell: Cell | None) -> str:
    """The text of a list that lies before the cursor."""
    return _reversed_text(piece.text for piece in iterate(cell))


def text_after(cell: Cell | None) -> str:
    """The text of a list that lies after the cursor."""
    return "".join(piece.text for piece in iterate(cell))


def tail_text(cell: Cell | None, n_chars: int) -> str:
    """About the last `n_chars` characters before the cursor, beginning after a white space."""
    parts: list[str] = []
    length = 0
    while cell is not None and length <= n_chars:
        parts.append(cell.piece.text)
        length += len(cell.piece.text)
        cell = cell.rest
    text = _reversed_text(parts)
    if cell is None and length <= n_chars:
        return text
    text = text[max(len(text) - n_chars, 0) :]
    cut = next((i for i, c in enumerate(text) if c.isspace()), -1)
    return text[cut + 1 :]


def last_char(cell: Cell | None) -> str:
    """The character before the cursor; "" at the start."""
    return "" if cell is None else cell.piece.text[-1]


def first_char(cell: Cell | None) -> str:
    """The character after the cursor; "" at the end."""
    return "" if cell is None else cell.piece.text[0]
