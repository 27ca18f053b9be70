"""Which place of the candidate list each word of the text was taken from.

A word counts once, however often a key stepped through the list: at the place of the last accept. A choice that was
undone, or whose word was taken back, does not stay.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from nearkey.study.alignment import common_ends
from nearkey.study.study_records import (
    AcceptRecord,
    ActionRecord,
    CommitRecord,
    CursorRecord,
    DeleteRecord,
    RedoRecord,
    UndoRecord,
)


class _Choice(NamedTuple):
    """A word from `start` to `end` of the text, taken from place `rank` of the list."""

    start: int
    end: int
    rank: int


class _Moment(NamedTuple):
    """A text and the choices in it; `stepping`: the newest was accepted just now, and another accept replaces it."""

    text: str
    choices: tuple[_Choice, ...]
    stepping: bool


class WordChoices:
    """The choices that stand in the text, followed action by action.

    - An accept right after an accept, with nothing but shift or mode keys between, is about the same word.
    - A commit that names a place counts where no accept came before it.
    - An undo goes back to the nearest earlier moment with the text it leaves, a redo forward again.
    - A delete takes a choice back whose word it changes, and one it leaves the text as it is after (the choice itself
      was taken back). Other actions move the words behind them along.
    """

    __slots__ = ("_now", "_past", "_undone")

    def __init__(self) -> None:
        self._now = _Moment("", (), False)
        self._past: list[_Moment] = []
        self._undone: list[_Moment] = []

    def take(self, action: ActionRecord, before: str, after: str) -> None:
        """Follow one action, which turned the text `before` into `after`."""
        now = self._now
        if isinstance(action, UndoRecord) and any(one.text == after for one in self._past):
            self._undone.append(now)
            while (moment := self._past.pop()).text != after:
                self._undone.append(moment)
            self._now = moment
            return
        if isinstance(action, RedoRecord) and self._undone and self._undone[-1].text == after:
            self._past.append(now)
            self._now = self._undone.pop()
            return
        self._past.append(now)
        self._undone.clear()
        first, last = _changed(before, after)
        takes_back = isinstance(action, DeleteRecord | UndoRecord | RedoRecord)
        stepped = isinstance(action, AcceptRecord) or (takes_back and before == after)
        kept = now.choices[:-1] if now.stepping and stepped else now.choices
        growth = len(after) - len(before)
        moved = []
        for one in kept:
            start, end, rank = one
            if start >= last:
                one = _Choice(start + growth, end + growth, rank)
            elif end > first:
                if takes_back:
                    continue
                one = _Choice(start, end + growth, rank)
            moved.append(one)
        stepping = False
        if isinstance(action, AcceptRecord):
            stepping = True
            moved.append(_Choice(*_word_at(after, first, last + growth), action.rank))
        elif isinstance(action, CommitRecord) and action.rank is not None and not now.stepping:
            moved.append(_Choice(*_word_at(after, first, last + growth), action.rank))
        elif isinstance(action, CursorRecord) and action.position is None:
            stepping = now.stepping
        self._now = _Moment(after, tuple(moved), stepping)

    def ranks(self) -> Mapping[int, int]:
        """Place in the list, 0 the first -> words of the text taken from there."""
        tally = Counter(one.rank for one in self._now.choices)
        return MappingProxyType(dict(sorted(tally.items())))


def _changed(before: str, after: str) -> tuple[int, int]:
    """The part of `before` that is not in `after`: from the first place to the last (exclusive)."""
    first, same = common_ends(before, after)
    return first, len(before) - same


def _word_at(text: str, first: int, last: int) -> tuple[int, int]:
    """Where the word lies that the characters from `first` to `last` belong to; the last word where they are none."""
    if first >= last:
        first = last = len(text.rstrip())
    while first < last and text[first].isspace():
        first += 1
    while last > first and text[last - 1].isspace():
        last -= 1
    while first > 0 and not text[first - 1].isspace():
        first -= 1
    while last < len(text) and not text[last].isspace():
        last += 1
    return first, last
