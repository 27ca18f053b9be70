"""What one phrase adds up to: characters, keystrokes, seconds, and their error classes.

The classes are those of Soukoreff & MacKenzie, "Metrics for text entry research: an evaluation of
MSD and KSPC, and a new unified error metric", CHI 2003, 113-120. They were made for one character a
keystroke; how they are counted here where one action changes a whole word is said in `count_trial`.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any, Literal, NamedTuple

from nearkey.study.alignment import Alignments, common_ends, string_distance
from nearkey.study.study_log import StudyTrial
from nearkey.study.study_records import (
    AcceptRecord,
    ActionRecord,
    CommitRecord,
    CursorRecord,
    DeleteRecord,
    RedoRecord,
    TapRecord,
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


Selection = Literal["entry", "fix"]


@dataclass(frozen=True, slots=True)
class PhraseCounts:
    """Additive counts; the rates of `Rates` are ratios of them.

    `phrases` counted; `presented`, `transcribed`: |P| and |T|, characters as compared. `entered`: characters of T
    as typed, with the space that closes the last word where a keystroke put it there. `timed`: `entered` - 1, or 0
    where no speed can be told. `seconds`: first to last keystroke. `keystrokes`: presses of all actions; `taps`: of
    touches among them; `mode_keys`: of shift and other keys that only change what the next one does. `gestures`:
    actions with a press of their own, each counted once. `correct` C, `incorrect_not_fixed` INF, `incorrect_fixed`
    IF (characters), `fixes` F (keystrokes). `longest`: max(|P|, |T|). `mean_alignment_length`: columns.
    `words_presented`, `word_errors`: words of P, and the minimum string distance of P and T in words.
    `respelled_by_decoder`, `respelled_by_selection`: characters that changed without being typed anew. `ranks`:
    place in the candidate list -> how many words of the text were taken from there.
    """

    phrases: int = 0
    presented: int = 0
    transcribed: int = 0
    entered: int = 0
    timed: int = 0
    seconds: float = 0.0
    keystrokes: int = 0
    taps: int = 0
    mode_keys: int = 0
    gestures: int = 0
    correct: int = 0
    incorrect_not_fixed: int = 0
    incorrect_fixed: int = 0
    fixes: int = 0
    longest: int = 0
    mean_alignment_length: float = 0.0
    words_presented: int = 0
    word_errors: int = 0
    respelled_by_decoder: int = 0
    respelled_by_selection: int = 0
    ranks: Mapping[int, int] = field(default_factory=lambda: MappingProxyType({}))

    def to_dict(self) -> dict[str, Any]:
        """The counts a reader of a table can use, by the names of the tables."""
        inner = ("timed", "longest", "mean_alignment_length")
        named = {
            "presented": "presented_chars",
            "transcribed": "transcribed_chars",
            "entered": "entered_chars",
        }
        return {
            named.get(one.name, one.name): getattr(self, one.name)
            for one in fields(self)
            if one.name not in inner
        } | {"ranks": {str(rank): n for rank, n in self.ranks.items()}}


def add_counts(parts: list[PhraseCounts]) -> PhraseCounts:
    """The sum of the `parts`, field by field."""
    ranks: Counter[int] = Counter()
    for part in parts:
        ranks.update(part.ranks)
    sums = {
        one.name: sum(getattr(part, one.name) for part in parts)
        for one in fields(PhraseCounts)
        if one.name != "ranks"
    }
    return PhraseCounts(**sums, ranks=MappingProxyType(dict(sorted(ranks.items()))))


def count_trial(
    trial: StudyTrial,
    *,
    presented: str,
    transcribed: str,
    alignments: Alignments,
    selection: Selection,
) -> PhraseCounts:
    """Count one trial.

    `presented`, `transcribed`: P and T as they are to be compared; `alignments`: of these two.

    - INF = MSD(P, T) and C = max(|P|, |T|) - MSD(P, T), from the texts alone.
    - F: keystrokes of delete, undo, redo, and of cursor events with a position. A cursor event without one is a
      shift or mode key: it costs a keystroke and fixes nothing.
    - IF: characters that delete and undo took off the text's length, less those that a later undo
      or redo put back. A decoder that re-spells the composition at every touch thus causes
      no IF: the keystrokes stand. Deleting a whole word at once is one fix and as many IF as the
      word had characters; so IF / F may exceed 1. A correct character taken back counts as IF too,
      as in the source.
    - A tap, text or commit is an entry, however many characters it changes.
    - Accepting a candidate: with `selection="entry"` (default) it is an entry as well, since on a
      layout with several letters a key choosing is part of spelling, no repair: it costs keystrokes
      and shows in `ranks`, but adds neither IF nor F. With `selection="fix"` an accept that
      re-spells or shortens the text is a fix (F), and the characters it changed are IF: the reading
      for layouts with one letter a key, where the candidate repairs slips.
    - Characters re-spelled by one event: MSD(before, after) - ||before| - |after||.
    - The closing space: the press that closes the last word is a keystroke as any other, so the space it leaves is a
      character of the text entered, and its time is timed. A closing space without a press of its own counts in
      neither.
    - `ranks`: see `WordChoices`.

    Source of the classes: Soukoreff & MacKenzie 2003. The rules for words are ours.
    """
    keystrokes = taps = fixes = taken_back = mode_keys = gestures = 0
    by_decoder = by_selection = 0
    choices = WordChoices()
    times: list[float] = []
    before = ""
    closed_by_key = False
    for action in trial.actions:
        keystrokes += action.presses
        if action.presses:
            times.append(action.t)
            gestures += 1
        if isinstance(action, CursorRecord):
            choices.take(action, before, before)
            if action.position is None:
                mode_keys += action.presses
            else:
                fixes += action.presses
            continue
        after = unicodedata.normalize("NFC", action.text)
        choices.take(action, before, after)
        if after[-1:].isspace() and not before[-1:].isspace():
            closed_by_key = action.presses > 0
        growth = len(after) - len(before)
        if isinstance(action, DeleteRecord | UndoRecord | RedoRecord):
            fixes += action.presses
            taken_back = max(0, taken_back - growth)
        else:
            respelled = string_distance(before, after) - abs(growth)
            if isinstance(action, AcceptRecord):
                by_selection += respelled
                changed = respelled + max(0, -growth)
                if selection == "fix" and changed:
                    fixes += action.presses
                    taken_back += changed
            else:
                by_decoder += respelled
            if isinstance(action, TapRecord):
                taps += action.presses
        before = after
    seconds = times[-1] - times[0] if times else 0.0
    distance = alignments.distance
    longest = max(len(presented), len(transcribed))
    body = len(before.rstrip())
    entered = body + int(0 < body < len(before) and closed_by_key)
    speed_known = seconds > 0 and entered > 1
    words = presented.split()
    return PhraseCounts(
        phrases=1,
        presented=len(presented),
        transcribed=len(transcribed),
        entered=entered,
        timed=entered - 1 if speed_known else 0,
        seconds=seconds if speed_known else 0.0,
        keystrokes=keystrokes,
        taps=taps,
        mode_keys=mode_keys,
        gestures=gestures,
        correct=longest - distance,
        incorrect_not_fixed=distance,
        incorrect_fixed=taken_back,
        fixes=fixes,
        longest=longest,
        mean_alignment_length=alignments.mean_length,
        words_presented=len(words),
        word_errors=string_distance(words, transcribed.split()),
        respelled_by_decoder=by_decoder,
        respelled_by_selection=by_selection,
        ranks=choices.ranks(),
    )
