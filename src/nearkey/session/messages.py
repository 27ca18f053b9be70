"""What goes into a session and what comes out of it: one tagged union each.

A `Message` is one thing done to a session. As a person does it, the fields that need a decoder's answer are left at
their defaults; `resolve` gives a message with all of them settled. A resolved message changes the text without asking
anybody, so a journal of them restores a session whatever decoder, pack or store is there by then: resolved messages
are the journal's lines. These are msgspec structs because msgspec reads and checks a line in one pass, which
dataclasses in a tagged union would not allow.

An `Effect` is what a step asks of the world or tells it. The core only names effects; the session carries them out.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec

from nearkey.decode import Candidate
from nearkey.errors import NearkeyError

Point = tuple[float, float]
"""x, y of a touch in layout units."""

Count = Annotated[int, msgspec.Meta(ge=0)]
Full = Annotated[str, msgspec.Meta(min_length=1)]
Letter = Annotated[str, msgspec.Meta(min_length=1, max_length=8)]
ShiftMode = Literal["", "upper", "lower"]


def snake_case(name: str) -> str:
    """CapsLock -> caps_lock: the tag of a class."""
    return "".join(f"_{c.lower()}" if c.isupper() else c for c in name).lstrip("_")


def _check_text(value: str, where: str, field: str) -> None:
    if not isinstance(value, str):
        raise NearkeyError("is not text", where=where, field=field, fix="give a string")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise NearkeyError(
            "holds half of a surrogate pair", where=where, field=field, fix="give whole characters"
        ) from None


# ---- in ----


class Resolution(
    msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True
):
    """What the composition became, or is to become.

    text : as written, without the marks that a touch on a symbol key added after it (`marks`).
    word, kind : the lexicon's form and `Candidate.kind`. rank : its place in the list of candidates,
    from 0; None where no list was asked. explicit : the person chose it. mark : it is no word but a
    mark alone.
    """

    text: Full
    word: str = ""
    kind: str = ""
    marks: str = ""
    rank: Count | None = None
    explicit: bool = False
    mark: bool = False


class TimedLine(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    omit_defaults=True,
    forbid_unknown_fields=True,
    tag_field="type",
    tag=snake_case,
):
    """time_s : seconds since the session began; every message has it."""

    # Format 1 has a time in every line, also where it is 0. Hence a factory, whose value counts as no default.
    time_s: float = msgspec.field(name="t", default_factory=float)


class Closing(TimedLine, frozen=True, kw_only=True):
    """A message that may end the composition; close, when resolved : what that became."""

    close: Resolution | None = None


class _Keyed(Closing, frozen=True, kw_only=True):
    role: Literal["letter", "symbol", "mark"] = "letter"
    key: str = ""
    letter: str = ""
    options: str = ""


class Tap(_Keyed, frozen=True, tag="touch"):
    """A touch at x, y (layout units). On a function key it acts as that key's message.

    When resolved: role : "letter"; "symbol", which stands for some mark; "mark", taken as it is.
    key : id of the most probable key, "" where the layout has letters alone. letter : the mark.
    options : the marks written on the key. What it closes is closed first.
    """

    x: float
    y: float

    def __post_init__(self) -> None:
        # One test in the common case: a sum of finite numbers this small is finite.
        if not math.isfinite(self.x + self.y + self.time_s):
            for field in ("x", "y", "time_s"):
                value = getattr(self, field)
                if not math.isfinite(value):
                    raise NearkeyError(
                        f"is {value}",
                        where="tap",
                        field=field,
                        fix="drop or fix the touch or its time",
                    )


class Accept(Closing, frozen=True, tag="choose"):
    """A candidate is chosen: by its place in the list, from 0; when resolved by `close`.

    The composition goes on until something commits it.
    """

    rank: int = 0


class Commit(Closing, frozen=True):
    """The composition becomes text, with a space; nothing where there is none."""


class Space(TimedLine, frozen=True):
    """The space key: resolved, a commit where there is a composition, else a space of the person's own."""


class _Written(Closing, frozen=True):
    text: Full

    def __post_init__(self) -> None:
        _check_text(self.text, snake_case(type(self).__name__), "text")


class Mark(_Written, frozen=True):
    """A punctuation mark, with the spaces it asks for; when resolved, literal : as it is, inside a spelled word."""

    literal: bool = False


class Insert(_Written, frozen=True):
    """Text put in as it is: pasted, dictated, from another keyboard."""


class Delete(Closing, frozen=True):
    """The delete key: a touch, a character, or a word is opened again."""


class Move(Closing, frozen=True):
    """The cursor to this position in characters; positions past the ends are the ends."""

    position: int


class Reopen(TimedLine, frozen=True):
    """The word under the cursor is opened again with its touches."""


class Pick(TimedLine, frozen=True):
    """A letter for one touch of the composition: by place in its list, or the letter itself.

    at : the touch, counted from 0; None is the first one without a chosen letter. When resolved,
    `letter` is the letter and `at` a number.
    """

    letter: int | Letter
    at: Count | None = None

    def __post_init__(self) -> None:
        if isinstance(self.letter, str):
            _check_text(self.letter, "pick", "letter")
            if not 1 <= len(self.letter) <= 8 or any(c.isspace() for c in self.letter):
                raise NearkeyError(
                    f"is {self.letter!r}", where="pick", field="letter", fix="give one letter"
                )


class Spell(TimedLine, frozen=True):
    """Spelling letter by letter on or off; None, until resolved, is the other of the two."""

    on: bool | None = None


class Shift(TimedLine, frozen=True):
    """Case of the next letter: as the decoder writes it (""), a capital, or small; None, until resolved, steps on."""

    mode: ShiftMode | None = None

    def __post_init__(self) -> None:
        if self.mode not in (None, "", "upper", "lower"):
            raise NearkeyError(
                f"is {self.mode!r}",
                where="shift",
                field="mode",
                fix='use "upper", "lower", "" or None',
            )


class CapsLock(TimedLine, frozen=True):
    """Capitals lock on or off; None, until resolved, is the other of the two."""

    on: bool | None = None


class AddWord(TimedLine, frozen=True):
    """A word for the person's store."""

    word: Full

    def __post_init__(self) -> None:
        _check_text(self.word, "add_word", "word")


class Clear(TimedLine, frozen=True):
    """All text goes, as for a new field or phrase. What was learnt from it stays learnt."""


class Undo(TimedLine, frozen=True):
    """Takes the last message back."""


class Redo(TimedLine, frozen=True):
    """Does again what was taken back."""


Message = (
    Tap
    | Accept
    | Commit
    | Space
    | Mark
    | Insert
    | Delete
    | Move
    | Reopen
    | Pick
    | Spell
    | Shift
    | CapsLock
    | AddWord
    | Clear
    | Undo
    | Redo
)


def is_resolved(message: Message) -> bool:
    """Whether nothing in a message needs a decoder's answer: a journal holds no others."""
    match message:
        case Accept() | Commit():
            return message.close is not None
        case Pick():
            return isinstance(message.letter, str) and message.at is not None
        case Spell() | CapsLock():
            return message.on is not None
        case Shift():
            return message.mode is not None
        case Move():
            return message.position >= 0
    return True


# ---- out ----


class Observation(msgspec.Struct, frozen=True):
    """One confirmed word, for those who learn from it.

    serial : numbers the session's observations. word : the lexicon's form. text : as written.
    context : the text before it. points : its touches, in layout units. kind : `Candidate.kind`.
    explicit : the person chose it; False where they moved on.
    """

    serial: int
    word: str
    text: str
    context: str
    points: tuple[Point, ...]
    kind: str
    explicit: bool


class _Out(msgspec.Struct, frozen=True, tag_field="type", tag=snake_case):
    pass


class Learn(_Out, frozen=True):
    """Those who learn are told of a confirmed word."""

    observation: Observation


class Forget(_Out, frozen=True):
    """An observation no longer holds: the word was opened again, or its commit undone."""

    observation: Observation


class StoreWord(_Out, frozen=True):
    """A word is added to the person's store by hand."""

    word: str


class RemoveWord(_Out, frozen=True):
    """A word added by hand is taken out of the store again."""

    word: str


class Record(_Out, frozen=True):
    """This message, resolved, is written to the journal."""

    message: Message


class TextChanged(_Out, frozen=True):
    """Text or cursor may differ from before."""


class CandidatesChanged(_Out, frozen=True):
    """The list of candidates may differ from before."""


class Notice(_Out, frozen=True, kw_only=True):
    """For those who watch: one message and how the session stood after it.

    kind : the `Session` verb it came to: "tap" for a touch on letters or a choice of marks;
        "delete", "accept", "commit" and so on also where a function key was touched.
    time_s : seconds since the session began. changed : whether it changed anything.
    text, cursor, candidates : after it, as the person sees them.
    x, y, key : of a touch; key is the id of its most probable key.
    rank, word : of an accepted candidate.
    committed : the word that became text by this message; its rank is None where the list had no say.

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
    committed: Resolution | None = None
    private: bool = False


StoreEffect = Learn | Forget | StoreWord | RemoveWord
"""Effects on what learns of a person; each has an inverse."""

Effect = StoreEffect | Record | TextChanged | CandidatesChanged | Notice


def inverse(effects: tuple[StoreEffect, ...]) -> tuple[StoreEffect, ...]:
    """What undoes these, in the order to do it."""
    return tuple(_inverse(effect) for effect in reversed(effects))


def _inverse(effect: StoreEffect) -> StoreEffect:
    match effect:
        case Learn(observation):
            return Forget(observation)
        case Forget(observation):
            return Learn(observation)
        case StoreWord(word):
            return RemoveWord(word)
        case RemoveWord(word):
            return StoreWord(word)
