"""What stands in the editor: a text of pieces around the cursor, and the composition between them.

The pieces lie in persistent lists: every edit makes a new list that shares all but its head with the old one. So undo
keeps whole contents, and each costs what changed, not what there is. All of it are msgspec structs, which are made in a
tenth of a dataclass's time: an edit makes several.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Generic, Literal, TypeVar

import msgspec

from nearkey.decode.layout_columns import inside_words
from nearkey.session.messages import Observation, Point, Resolution

_T = TypeVar("_T")


class Chain(msgspec.Struct, Generic[_T], frozen=True, eq=False):
    """A persistent list: an item, the rest of the list behind it, and the size of it all.

    Compared and walked through by loops: a text has more pieces than Python allows nested calls.
    """

    item: _T
    rest: Chain[_T] | None
    size: int

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Chain):
            return NotImplemented
        mine: Chain[_T] | None = self
        theirs: Chain[_T] | None = other
        while mine is not theirs:
            if mine is None or theirs is None:
                return False
            # Lists of other lengths differ at the end of a long run of like items: seen here at once.
            if mine.size != theirs.size or mine.item != theirs.item:
                return False
            mine, theirs = mine.rest, theirs.rest
        return True

    def __hash__(self) -> int:
        return hash((self.item, self.size))

    def __repr__(self) -> str:
        return f"Chain({list(iterate(self))})"


def iterate(chain: Chain[_T] | None) -> Iterator[_T]:
    """The items, the last put in first."""
    while chain is not None:
        yield chain.item
        chain = chain.rest


Case = Literal["", "upper", "lock", "lower"]
"""What the person said about a letter's case: nothing, shift, capitals lock, or small."""


class Stroke(msgspec.Struct, frozen=True):
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


class Piece(msgspec.Struct, frozen=True):
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


PieceList = Chain[Piece]
"""Pieces on one side of the cursor, the nearest first; its size is in characters."""


def push(pieces: PieceList | None, piece: Piece) -> PieceList:
    """The list with one more piece at the cursor's side."""
    return Chain(piece, pieces, chars(pieces) + len(piece.text))


def chars(pieces: PieceList | None) -> int:
    """Characters in the list."""
    return 0 if pieces is None else pieces.size


def tail_text(pieces: PieceList | None, n_chars: int) -> str:
    """About the last `n_chars` characters before the cursor, beginning after a white space."""
    parts: list[str] = []
    length = 0
    while pieces is not None and length <= n_chars:
        parts.append(pieces.item.text)
        length += len(pieces.item.text)
        pieces = pieces.rest
    text = "".join(parts[::-1])
    if pieces is None and length <= n_chars:
        return text
    text = text[max(len(text) - n_chars, 0) :]
    cut = next((i for i, c in enumerate(text) if c.isspace()), -1)
    return text[cut + 1 :]


def last_char(pieces: PieceList | None) -> str:
    """The character before the cursor; "" at the start."""
    return "" if pieces is None else pieces.item.text[-1]


def first_char(pieces: PieceList | None) -> str:
    """The character after the cursor; "" at the end."""
    return "" if pieces is None else pieces.item.text[0]


# ---- around the cursor ----


class Composition(msgspec.Struct, frozen=True):
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


class Content(msgspec.Struct, frozen=True):
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
