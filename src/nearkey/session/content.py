"""What stands in the editor: the text around the cursor, and the word in the making."""

from __future__ import annotations

from dataclasses import dataclass

from nearkey.decode.layout_columns import inside_words
from nearkey.session.pieces import Case, Cell, Stroke
from nearkey.session.protocols import Point

__all__ = ["EMPTY", "Content", "Held", "Open"]


@dataclass(frozen=True, slots=True)
class Held:
    """A reading that stands for the open word whatever the decoder thinks.

    accepted : the person chose it, and the next letter touched commits it. Otherwise it is what the
    word was before it was opened again, and the next letter touched goes on with the word.
    """

    text: str
    word: str
    kind: str
    marks: str = ""
    rank: int | None = None
    accepted: bool = False
    explicit: bool = False


@dataclass(frozen=True, slots=True)
class Open:
    """The word in the making.

    strokes, tail : before and after the caret. held : the reading that holds, if any does.
    settled_left, settled_right : the word stood in the text before, and on that side it stays as it
    stood: no space is put there.
    """

    strokes: tuple[Stroke, ...] = ()
    tail: tuple[Stroke, ...] = ()
    held: Held | None = None
    settled_left: bool = False
    settled_right: bool = False

    @property
    def all(self) -> tuple[Stroke, ...]:
        """All strokes, in order."""
        return self.strokes + self.tail if self.tail else self.strokes

    def edited(self, strokes: tuple[Stroke, ...], tail: tuple[Stroke, ...]) -> Open:
        """The word with other strokes, to be read anew."""
        return Open(strokes, tail, None, self.settled_left, self.settled_right)

    @property
    def points(self) -> tuple[Point, ...]:
        """The touches, in layout units."""
        return tuple((s.x, s.y) for s in self.all if s.x is not None and s.y is not None)

    @property
    def picked(self) -> bool:
        """Whether the person chose one of its letters or marks."""
        return any(s.letter for s in self.strokes) or any(s.letter for s in self.tail)


@dataclass(frozen=True, slots=True)
class Content:
    """All of a session's state but its history.

    before, after : pieces on either side of the cursor, nearest first. offset : characters of the
    first piece of `after` that lie before the cursor, where it stands inside a piece.
    open : the word in the making, between the two; then offset is 0.
    shift, caps, spell : what the next letter will be; whether words are spelled letter by letter.
    """

    before: Cell | None = None
    after: Cell | None = None
    offset: int = 0
    open: Open | None = None
    shift: Case = ""
    caps: bool = False
    spell: bool = False

    @property
    def spelled(self) -> bool:
        """Whether the open word is read letter by letter: the person has the say, not the lexicon."""
        return self.spell or (
            self.open is not None and any(stroke.role == "mark" for stroke in self.open.all)
        )

    @property
    def open_mark(self) -> bool:
        """Whether what is open is a mark alone, on a symbol key, and not a word."""
        return (
            self.open is not None
            and not self.open.tail
            and len(self.open.strokes) == 1
            and self.open.strokes[0].role == "symbol"
            and not self.spell
        )

    @property
    def past_word(self) -> bool:
        """Whether what is open ends on a mark that is inside no word: the next touch is no part of it."""
        word = self.open
        if word is None or word.tail or not word.strokes or self.spell:
            return False
        last = word.strokes[-1]
        return last.role == "symbol" and (len(word.strokes) == 1 or not inside_words(last.options))

    @property
    def next_case(self) -> Case:
        """What shift and capitals lock say about the next letter."""
        return self.shift or ("lock" if self.caps else "")


EMPTY = Content()
