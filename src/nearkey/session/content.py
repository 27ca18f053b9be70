"""What stands in the editor: a text of pieces around the cursor, and the composition between them.

The pieces lie in persistent lists: every edit makes a new list that shares all but its head with the old one. So undo
keeps whole contents, and each costs what changed, not what there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from nearkey.decode.layout_columns import inside_words
from nearkey.session.messages import Observation, Point, Resolution

__all__ = [
    "EMPTY",
    "SPACE",
    "Case",
    "Composition",
    "Content",
    "Piece",
    "PieceList",
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
class Piece:
    """A stretch of text that was entered in one go; never empty.

    kind : "word" (decoded, spelled or predicted), "mark", "space" (one space), "text" (inserted).
    strokes : its touches, where it has any.
    word, source : the lexicon's form and the `Candidate.kind` of a word.
    auto : a space that the spacing rules put there.
    observation : what was learnt from it.
    """

    text: str
    kind: Literal["word", "mark", "space", "text"]
    strokes: tuple[Stroke, ...] = ()
    word: str = ""
    source: str = ""
    auto: bool = False
    observation: Observation | None = None


SPACE = Piece(" ", "space", auto=True)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PieceList:
    """A persistent list of pieces: the piece nearest the cursor, and the rest away from it."""

    piece: Piece
    rest: PieceList | None
    n_chars: int

    # By loops: a text has more pieces than Python allows nested calls.
    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PieceList):
            return NotImplemented
        mine: PieceList | None = self
        theirs: PieceList | None = other
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
        return f"PieceList({[piece.text for piece in iterate(self)]})"


def push(pieces: PieceList | None, piece: Piece) -> PieceList:
    """The list with one more piece at the cursor's side."""
    return PieceList(piece, pieces, chars(pieces) + len(piece.text))


def chars(pieces: PieceList | None) -> int:
    """Characters in the list."""
    return 0 if pieces is None else pieces.n_chars


def iterate(pieces: PieceList | None) -> Iterator[Piece]:
    """The pieces, from the cursor outwards."""
    while pieces is not None:
        yield pieces.piece
        pieces = pieces.rest


def _reversed_text(parts: Iterable[str]) -> str:
    return "".join(reversed(list(parts)))


def text_before(pieces: PieceList | None) -> str:
    """The text of a list that lies before the cursor."""
    return _reversed_text(piece.text for piece in iterate(pieces))


def text_after(pieces: PieceList | None) -> str:
    """The text of a list that lies after the cursor."""
    return "".join(piece.text for piece in iterate(pieces))


def tail_text(pieces: PieceList | None, n_chars: int) -> str:
    """About the last `n_chars` characters before the cursor, beginning after a white space."""
    parts: list[str] = []
    length = 0
    while pieces is not None and length <= n_chars:
        parts.append(pieces.piece.text)
        length += len(pieces.piece.text)
        pieces = pieces.rest
    text = _reversed_text(parts)
    if pieces is None and length <= n_chars:
        return text
    text = text[max(len(text) - n_chars, 0) :]
    cut = next((i for i, c in enumerate(text) if c.isspace()), -1)
    return text[cut + 1 :]


def last_char(pieces: PieceList | None) -> str:
    """The character before the cursor; "" at the start."""
    return "" if pieces is None else pieces.piece.text[-1]


def first_char(pieces: PieceList | None) -> str:
    """The character after the cursor; "" at the end."""
    return "" if pieces is None else pieces.piece.text[0]


# ---- around the cursor ----


@dataclass(frozen=True, slots=True)
class Composition:
    """The word being typed.

    strokes, tail : before and after the caret.
    locked : the reading that stands whatever the decoder thinks, if there is one. accepted : the person
    chose it, and the next letter touched commits it; otherwise it is what the word was before it was
    opened again, and the next letter touched goes on with the word.
    settled_left, settled_right : the word stood in the text before, and on that side it stays as it
    stood: no space is put there.
    """

    strokes: tuple[Stroke, ...] = ()
    tail: tuple[Stroke, ...] = ()
    locked: Resolution | None = None
    accepted: bool = False
    settled_left: bool = False
    settled_right: bool = False

    @property
    def all(self) -> tuple[Stroke, ...]:
        """All strokes, in order."""
        return self.strokes + self.tail if self.tail else self.strokes

    def edited(self, strokes: tuple[Stroke, ...], tail: tuple[Stroke, ...]) -> Composition:
        """The word with other strokes, to be read anew."""
        return Composition(strokes, tail, None, False, self.settled_left, self.settled_right)

    @property
    def points(self) -> tuple[Point, ...]:
        """The touches, in layout units."""
        return tuple((s.x, s.y) for s in self.all if s.x is not None and s.y is not None)

    @property
    def picked(self) -> bool:
        """Whether the person chose one of its letters or marks."""
        return any(stroke.letter for stroke in self.all)


@dataclass(frozen=True, slots=True)
class Content:
    """What stands in the editor: all of a session's state but its history.

    before, after : pieces on either side of the cursor, nearest first. offset : characters of the
    first piece of `after` that lie before the cursor, where it stands inside a piece.
    composition : the word being typed, between the two; then offset is 0.
    shift, caps, spell : what the next letter will be; whether words are spelled letter by letter.
    """

    before: PieceList | None = None
    after: PieceList | None = None
    offset: int = 0
    composition: Composition | None = None
    shift: Case = ""
    caps: bool = False
    spell: bool = False

    @property
    def spelled(self) -> bool:
        """Whether the composition is read letter by letter: the person has the say, not the lexicon."""
        return self.spell or (
            self.composition is not None
            and any(stroke.role == "mark" for stroke in self.composition.all)
        )

    @property
    def lone_mark(self) -> bool:
        """Whether the composition is a mark alone, on a symbol key, and no word."""
        return (
            self.composition is not None
            and not self.composition.tail
            and len(self.composition.strokes) == 1
            and self.composition.strokes[0].role == "symbol"
            and not self.spell
        )

    @property
    def past_word(self) -> bool:
        """Whether the composition ends on a mark that is inside no word: the next touch is no part of it."""
        word = self.composition
        if word is None or word.tail or not word.strokes or self.spell:
            return False
        last = word.strokes[-1]
        return last.role == "symbol" and (len(word.strokes) == 1 or not inside_words(last.options))

    @property
    def next_case(self) -> Case:
        """What shift and capitals lock say about the next letter."""
        return self.shift or ("lock" if self.caps else "")


EMPTY = Content()
