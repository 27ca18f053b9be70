"""What stands in the editor: a text of pieces around the cursor, and the composition between them.

The pieces lie in persistent lists: every edit makes a new list that shares all but its head with the old one. So undo
keeps whole contents, and each costs what changed, not what there is. All of it are msgspec structs, which are made in a
tenth of a dataclass's time: an edit makes several. Pieces far from the cursor are compressed, touches
and all: a long text takes a tenth of the memory, and is expanded where the cursor comes near.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Sequence
from typing import Generic, Literal, TypeVar

import msgspec
import numpy as np
from msgspec.structs import replace

from nearkey.decode.layout_columns import inside_words
from nearkey.session.messages import Count, Full, Observation, Point, Resolution

_T = TypeVar("_T")


NEAR = 256
"""Pieces kept as they are on each side of the cursor: up to twice as many, so that most edits compress nothing."""


class Chain(msgspec.Struct, Generic[_T], frozen=True, eq=False):
    """A persistent list: an item, what lies behind it, the size of it all, and how many cells are not compressed.

    Compared and walked through by loops: a text has more pieces than Python allows nested calls.
    """

    item: _T
    behind: Chain[_T] | Compressed | None
    size: int
    cells: int = 1

    @property
    def rest(self) -> Chain[_T] | None:
        """The list behind the item, as cells."""
        behind = self.behind
        return behind.expanded() if type(behind) is Compressed else behind  # type: ignore[return-value]

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


class Stroke(msgspec.Struct, frozen=True, array_like=True):
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


class Lesson(msgspec.Struct, frozen=True, array_like=True):
    """What an observation knows and its piece does not: serial, context and explicit of `Observation`."""

    serial: Count
    context: str
    explicit: bool


class Piece(msgspec.Struct, frozen=True, array_like=True):
    """A stretch of text that was entered in one go; never empty.

    kind : "word" (decoded, spelled or predicted), "mark", "space" (one space), "text" (inserted).
    strokes : its touches, where it has any.
    word, source : the lexicon's form and the `Candidate.kind` of a word.
    auto : a space that the spacing rules put there.
    lesson : that those who learn were told of it.
    """

    text: Full
    kind: Literal["word", "mark", "space", "text"]
    strokes: tuple[Stroke, ...] = ()
    word: str = ""
    source: str = ""
    auto: bool = False
    lesson: Lesson | None = None

    @property
    def observation(self) -> Observation | None:
        """What those who learn were told of it."""
        told = self.lesson
        if told is None:
            return None
        points = tuple(point for stroke in self.strokes if (point := stroke.point) is not None)
        return Observation(
            told.serial,
            self.word or self.text,
            self.text,
            told.context,
            points,
            self.source,
            told.explicit,
        )


SPACE = Piece(" ", "space", auto=True)


PieceList = Chain[Piece]
"""Pieces on one side of the cursor, the nearest first; its size is in characters."""


def push(pieces: PieceList | Compressed | None, piece: Piece) -> PieceList:
    """The list with one more piece at the cursor's side."""
    if pieces is None:
        return Chain(piece, None, len(piece.text))
    return Chain(piece, pieces, pieces.size + len(piece.text), pieces.cells + 1)


def chars(pieces: PieceList | Compressed | None) -> int:
    """Characters in the list."""
    return 0 if pieces is None else pieces.size


# ---- pieces far from the cursor ----


class Compressed(msgspec.Struct, frozen=True, eq=False):
    """Pieces of a list, compressed.

    data : as `compress` makes it. text : what they say, in reading order. ahead : they stand after the cursor, so that
    the nearest is the first. behind, size, cells : as in `Chain`.
    """

    data: bytes
    text: str
    ahead: bool
    behind: PieceList | Compressed | None
    size: int
    cells: int = 0

    def expanded(self) -> PieceList:
        """The same list, these pieces as cells."""
        return _on(self.behind, decompress(self.data), ahead=self.ahead)


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(tuple[list[Piece], bytes])
# What is larger is not deflated, so that a few bytes of a forged file never stand for more than this.
_MOST_INFLATED = 1 << 22


def compress(pieces: Sequence[Piece]) -> bytes:
    """Pieces in reading order as bytes: MessagePack, deflated after a "z", or as it is after an "m".

    It holds the pieces, their strokes without places and times; then x, y and time_s of all strokes (NaN is None), each
    as little-endian doubles, the first bytes of all numbers before their second ones: so they take a fifth less.
    """
    strokes = [stroke for piece in pieces for stroke in piece.strokes]
    numbers = np.array([[s.x, s.y, s.time_s] for s in strokes], dtype="<f8").reshape(-1, 3)
    planes = np.ascontiguousarray(numbers.T).view(np.uint8).reshape(-1, 8).T.tobytes()
    bare = [replace(piece, strokes=tuple(map(_bare, piece.strokes))) for piece in pieces]
    data = _ENCODER.encode((bare, planes))
    return b"z" + zlib.compress(data) if len(data) <= _MOST_INFLATED else b"m" + data


def _bare(stroke: Stroke) -> Stroke:
    return Stroke(None, None, 0.0, stroke.role, stroke.case, stroke.letter, stroke.options)


def decompress(data: bytes) -> list[Piece]:
    """The pieces again. Raises ValueError, zlib.error or an error of msgspec's for what `compress` did not make."""
    plain = data[1:]
    if data[:1] != b"m":
        inflater = zlib.decompressobj()
        plain = inflater.decompress(plain, _MOST_INFLATED)
        if not inflater.eof:
            raise ValueError("cut short")
    bare, planes = _DECODER.decode(plain)
    n = sum(len(piece.strokes) for piece in bare)
    numbers = np.frombuffer(planes, dtype=np.uint8).reshape(8, 3 * n).T
    places = iter(np.ascontiguousarray(numbers).view("<f8").reshape(3, n).T.tolist())
    return [
        replace(piece, strokes=tuple(map(_placed, piece.strokes, places)))
        if piece.strokes
        else piece
        for piece in bare
    ]


def _placed(stroke: Stroke, place: list[float]) -> Stroke:
    x, y, time_s = place
    return Stroke(
        None if math.isnan(x) else x,
        None if math.isnan(y) else y,
        time_s,
        stroke.role,
        stroke.case,
        stroke.letter,
        stroke.options,
    )


def compressed(
    pieces: Sequence[Piece],
    behind: PieceList | Compressed | None,
    *,
    ahead: bool,
    data: bytes = b"",
) -> Compressed:
    """Pieces in reading order, compressed, in front of what lies behind them. data : where that is done already."""
    text = "".join([piece.text for piece in pieces])
    data = data or compress(pieces)
    return Compressed(data, text, ahead, behind, chars(behind) + len(text))


def _on(
    behind: PieceList | Compressed | None, pieces: Sequence[Piece], *, ahead: bool
) -> PieceList:
    """Pieces in reading order, at least one, as cells in front of what lies behind them."""
    for piece in reversed(pieces) if ahead else pieces:
        behind = push(behind, piece)
    assert isinstance(behind, Chain)
    return behind


def run_of(pieces: PieceList | Compressed | None) -> tuple[list[Piece], Compressed | None]:
    """The pieces of a list down to the first compressed ones, nearest first, and those."""
    run: list[Piece] = []
    while isinstance(pieces, Chain):
        run.append(pieces.item)
        pieces = pieces.behind
    return run, pieces


def near_expanded(pieces: PieceList | Compressed | None, *, ahead: bool) -> PieceList | None:
    """The list with its nearest pieces as cells, and those far from the cursor compressed where they have become many.

    ahead : it stands after the cursor.
    """
    if isinstance(pieces, Compressed):
        return pieces.expanded()
    if pieces is None or pieces.cells < 2 * NEAR:
        # One cell left: the next ones will be asked for again and again.
        if pieces is not None and type(pieces.behind) is Compressed:
            return push(pieces.rest, pieces.item)
        return pieces
    run, behind = run_of(pieces)
    near, far = run[:NEAR], run[NEAR:]
    if not ahead:
        near, far = near[::-1], far[::-1]
    return _on(compressed(far, behind, ahead=ahead), near, ahead=ahead)


def move_whole(source: Compressed, target: PieceList | Compressed | None) -> Compressed:
    """The target with the compressed pieces of the source in front; what was in front of it is compressed as well."""
    ahead = not source.ahead
    run, behind = run_of(target)
    if run:
        behind = compressed(run if ahead else run[::-1], behind, ahead=ahead)
    return Compressed(source.data, source.text, ahead, behind, chars(behind) + len(source.text))


def text_of(pieces: PieceList | Compressed | None, *, ahead: bool) -> str:
    """What a list says, in reading order. ahead : it stands after the cursor."""
    parts: list[str] = []
    while pieces is not None:
        parts.append(pieces.item.text if isinstance(pieces, Chain) else pieces.text)
        pieces = pieces.behind
    return "".join(parts if ahead else parts[::-1])


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
