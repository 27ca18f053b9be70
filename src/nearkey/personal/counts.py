"""Counts of a person's words and phrases that fade with every word typed, and can be taken back.

A word typed at clock t adds the whole number ``unit(t) = round(2**20 * 2**(t / half life))``: later
words weigh more, which is the same as older ones fading, without touching the older ones. Whole
numbers, because adding and subtracting them is exact in any order: taking a word back leaves the
counts as if it had never been typed.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from typing import TypeVar

__all__ = ["Counts", "Lesson", "Tally"]

_Key = TypeVar("_Key", bound=Hashable)

_BITS = 20
# When the newest word weighs 2**16 times the oldest, all counts are shifted down by that much: they
# stay below 2**53, so that any JSON reader gets them right, and what has faded to nothing drops out.
_SHIFT = 16


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one confirmed word taught: enough to learn it again, or to take it back.

    serial : number of the lesson, never used twice by a store.
    clock : words typed before it.
    word : as counted, in lower case.
    context : up to two words before it, the oldest first.
    weight : how much it counts, above 0, up to 1.
    order : words of context for which something was known (0, 1 or 2); -1 where the lesson says
        nothing about how far to trust the person's words.
    share : P(the word came from the person's words rather than from the pack), at that time.
    form : how the word was written, for words the lexicon lacks; else empty.
    """

    serial: int
    clock: int
    word: str
    context: tuple[str, ...] = ()
    weight: float = 1.0
    order: int = -1
    share: float = 0.0
    form: str = ""

    @property
    def confirms(self) -> bool:
        """Whether it counts as a confirmation: the word was more probably meant than not."""
        return self.weight >= 0.5

    def without(self, word: str) -> Lesson | None:
        """The lesson when a word of its context is forgotten; None where it was about that word."""
        if self.word == word:
            return None
        if word not in self.context:
            return self
        last = len(self.context) - 1 - self.context[::-1].index(word)
        return replace(self, context=self.context[last + 1 :])


@dataclass(slots=True)
class Tally:
    """Faded evidence for one mixture weight: words explained by the person's words, of how many."""

    share: int = 0
    total: int = 0


@dataclass(slots=True)
class Counts:
    """All that is counted about one person. Counts are in units of `unit(clock)` at their time.

    words : word -> faded count. times : word -> confirmations, unfaded.
    phrases : context -> follower -> faded count, for contexts of one and two words.
    forms : word -> way of writing it -> times, for words the lexicon lacks.
    pinned : words added by hand -> way of writing; they stay until taken out or forgotten.
    tallies : evidence about the mixture weight after 0, 1 and 2 known words of context.
    """

    half_life: float
    clock: int = 0
    base: int = 0
    words: dict[str, int] = field(default_factory=dict)
    times: dict[str, int] = field(default_factory=dict)
    phrases: dict[tuple[str, ...], dict[str, int]] = field(default_factory=dict)
    forms: dict[str, dict[str, int]] = field(default_factory=dict)
    pinned: dict[str, str] = field(default_factory=dict)
    tallies: tuple[Tally, Tally, Tally] = field(default_factory=lambda: (Tally(), Tally(), Tally()))

    def unit(self, clock: int) -> int:
        """What a word typed at this clock adds."""
        return round(math.exp2(_BITS + (clock - self.base) / self.half_life))

    def apply(self, lesson: Lesson) -> None:
        """Count one more word."""
        self._add(lesson, 1)

    def reverse(self, lesson: Lesson) -> None:
        """Take a word back; the exact inverse of `apply`, whatever came between."""
        self._add(lesson, -1)

    def _add(self, lesson: Lesson, sign: int) -> None:
        amount = sign * round(self.unit(lesson.clock) * lesson.weight)
        _bump(self.words, lesson.word, amount)
        if lesson.confirms:
            _bump(self.times, lesson.word, sign)
        if lesson.form:
            _bump_in(self.forms, lesson.word, lesson.form, sign)
        for start in range(len(lesson.context)):
            _bump_in(self.phrases, lesson.context[start:], lesson.word, amount)
        if lesson.order >= 0:
            tally = self.tallies[lesson.order]
            tally.share += sign * round(abs(amount) * lesson.share)
            tally.total += amount
        self.clock += sign

    def forget(self, word: str) -> bool:
        """Drop a word and every phrase that holds it; whether there was anything."""
        held = word in self.words or word in self.pinned
        self.words.pop(word, None)
        self.times.pop(word, None)
        self.forms.pop(word, None)
        self.pinned.pop(word, None)
        within = [c for c, f in self.phrases.items() if word in c or word in f]
        for context in within:
            self.phrases[context].pop(word, None)
            if word in context or not self.phrases[context]:
                del self.phrases[context]
        return held or bool(within)

    def n_phrases(self) -> int:
        return sum(len(followers) for followers in self.phrases.values())

    def settle(self, *, max_words: int, max_phrases: int) -> None:
        """Shift what is long past and keep the most used.

        Not invertible: only for counts that hold no lesson which may yet be taken back.
        """
        while self.clock - self.base >= _SHIFT * self.half_life:
            self._shift()
        if len(self.words) > max_words:
            ranked = heapq.nlargest(
                max_words, self.words, key=lambda w: (w in self.pinned, self.words[w], w)
            )
            kept = set(ranked)
            self.words = {w: c for w, c in self.words.items() if w in kept}
        self._match_words()
        if self.n_phrases() > max_phrases:
            entries = (
                (count, context, word)
                for context, followers in self.phrases.items()
                for word, count in followers.items()
            )
            kept_phrases: dict[tuple[str, ...], dict[str, int]] = {}
            for count, context, word in heapq.nlargest(max_phrases, entries):
                kept_phrases.setdefault(context, {})[word] = count
            self.phrases = kept_phrases

    def _shift(self) -> None:
        # The base moves by the words in which a count fades by 2**16; a fraction of a word is left
        # to the next time.
        step = round(_SHIFT * self.half_life)
        self.base += step
        self.words = {w: c >> _SHIFT for w, c in self.words.items() if c >> _SHIFT}
        self.phrases = {
            context: kept
            for context, followers in self.phrases.items()
            if (kept := {w: c >> _SHIFT for w, c in followers.items() if c >> _SHIFT})
        }
        for tally in self.tallies:
            tally.share >>= _SHIFT
            tally.total >>= _SHIFT

    def with_half_life(self, half_life: float) -> Counts:
        """The same knowledge at this moment, fading at another pace from now on."""
        new = Counts(half_life=half_life, clock=self.clock, base=self.clock)
        factor = new.unit(self.clock) / self.unit(self.clock)

        def rescaled(table: dict[str, int]) -> dict[str, int]:
            return {w: n for w, c in table.items() if (n := round(c * factor))}

        new.words = rescaled(self.words)
        new.phrases = {c: kept for c, f in self.phrases.items() if (kept := rescaled(f))}
        new.times, new.forms, new.pinned = self.times, self.forms, self.pinned
        for mine, theirs in zip(new.tallies, self.tallies, strict=True):
            mine.share, mine.total = round(theirs.share * factor), round(theirs.total * factor)
        new._match_words()
        return new

    def _match_words(self) -> None:
        """Confirmations and forms of words that have faded or were dropped go with them."""
        gone = self.times.keys() - self.words.keys() - self.pinned.keys()
        for word in gone:
            del self.times[word]
        for word in self.forms.keys() - self.words.keys() - self.pinned.keys():
            del self.forms[word]


def _bump_in(tables: dict[_Key, dict[str, int]], key: _Key, word: str, amount: int) -> None:
    table = tables.setdefault(key, {})
    _bump(table, word, amount)
    if not table:
        del tables[key]


def _bump(table: dict[str, int], word: str, amount: int) -> None:
    value = table.get(word, 0) + amount
    if value > 0:
        table[word] = value
    else:
        table.pop(word, None)
