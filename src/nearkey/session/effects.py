"""Effects: what a step asks the world to do. The core only names them; the session carries them out."""

from __future__ import annotations

from dataclasses import dataclass

from nearkey.session.actions import Action
from nearkey.session.pieces import Lesson

__all__ = [
    "CandidatesChanged",
    "Effect",
    "Forget",
    "Learn",
    "Op",
    "Record",
    "RemoveWord",
    "StoreWord",
    "TextChanged",
    "inverse",
]


@dataclass(frozen=True, slots=True)
class Learn:
    """Teach the person's store one confirmed word."""

    lesson: Lesson


@dataclass(frozen=True, slots=True)
class Forget:
    """Take a lesson back: the word was opened again, or its commit undone."""

    lesson: Lesson


@dataclass(frozen=True, slots=True)
class StoreWord:
    """Add a word to the person's store by hand."""

    word: str


@dataclass(frozen=True, slots=True)
class RemoveWord:
    """Take a word added by hand out of the store again."""

    word: str


@dataclass(frozen=True, slots=True)
class Record:
    """Write this action to the journal."""

    action: Action


@dataclass(frozen=True, slots=True)
class TextChanged:
    """Text or cursor may differ from before."""


@dataclass(frozen=True, slots=True)
class CandidatesChanged:
    """The list of candidates may differ from before."""


Op = Learn | Forget | StoreWord | RemoveWord
"""Effects on the person's store; each has an inverse."""

Effect = Op | Record | TextChanged | CandidatesChanged


def inverse(ops: tuple[Op, ...]) -> tuple[Op, ...]:
    """What undoes these, in the order to do it."""
    return tuple(_inverse(op) for op in reversed(ops))


def _inverse(op: Op) -> Op:
    match op:
        case Learn(lesson):
            return Forget(lesson)
        case Forget(lesson):
            return Learn(lesson)
        case StoreWord(word):
            return RemoveWord(word)
        case RemoveWord(word):
            return StoreWord(word)
