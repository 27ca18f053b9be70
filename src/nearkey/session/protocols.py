"""What a session asks of a decoder and of those who learn from it. Anything with these methods plugs in."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from nearkey.decode import Candidate
from nearkey.layout import Key, Layout

if TYPE_CHECKING:
    from nearkey.session.pieces import Lesson

__all__ = ["Learner", "LiveDecoder", "PersonalStore", "Point"]

Point = tuple[float, float]
"""x, y of a touch in layout units."""


@runtime_checkable
class LiveDecoder(Protocol):
    """The part of a decoder that a session uses. A session never changes it, so many share one.

    Contexts are plain text: what stands in the editor before the word. `points` come as a sequence
    of (x, y) in layout units.
    """

    @property
    def layout(self) -> Layout: ...

    def key_at(self, point: Point, /) -> Key:
        """The most probable key of one touch, function keys included."""

    def candidates(
        self,
        points: Sequence[Point],
        /,
        *,
        context: str = "",
        k: int = 5,
        personal: Any = None,
    ) -> Sequence[Candidate]:
        """The live list, best first: readings of the touches; next words where there is no touch."""

    def literal(self, points: Sequence[Point], /) -> str:
        """The most probable letter of each touch, without language."""

    def letters_at(self, point: Point, /, *, before: str = "") -> Sequence[tuple[str, float]]:
        """Letters of one touch after the letters `before`, best first, with natural log scores."""

    def marks(self, context: str, /) -> Sequence[tuple[str, float]]:
        """Marks that may follow a text, best first, with natural log P; "" is no mark."""

    def state_after(self, text: str, /) -> Any:
        """The language model's state after some text, for a person's store."""


@runtime_checkable
class PersonalStore(Protocol):
    """What a session tells a person's store of words. The decoder reads it; only sessions teach it."""

    @property
    def version(self) -> Hashable:
        """Changes whenever the store's answer to a decoder could."""

    def __contains__(self, word: object, /) -> bool:
        """Whether a word is offered as the person's own."""

    def learn(self, word: str, state: Any = None) -> int | None:
        """Count a confirmed word, as written, after a state; a number for `retract`, or None."""

    def retract(self, serial: int | None = None) -> Any:
        """Take one lesson back, as if it had never been learnt."""

    def add_word(self, word: str) -> None:
        """Enter a word by hand; takes effect at once. A `NearkeyError` where it is no word."""

    def remove_word(self, word: str) -> Any:
        """Take a word entered by hand out again."""


class Learner(Protocol):
    """Anything else that learns from confirmed words, such as a person's touch model."""

    def confirm(self, lesson: Lesson, /) -> int | str | None:
        """Learn from one word; the answer is kept in the journal and handed to `retract`.

        None: nothing was learnt, and nothing need be taken back.
        """

    def retract(self, token: int | str, /) -> Any:
        """Take one lesson back: the word was opened again, or its commit undone."""
