"""Counts of a person's words and phrases that decay with every word typed, and can be taken back; their settings.

A word typed at clock t adds the whole number ``unit(t) = round(2**20 * 2**(t / half life))``: later
words weigh more, which is the same as a decay of older ones, without touching the older ones. Whole
numbers, because adding and subtracting them is exact in any order: taking a word back leaves the
counts as if it had never been typed.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Annotated, Any, TypeVar

import msgspec

from nearkey.bounds import whole_number
from nearkey.errors import PersonalError

_MOST = 10_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class WordSettings:
    """Settings of a `PersonalLanguage`.

    half_life_words : words typed after which a count is worth half.
    enter_after : confirmations after which a word the lexicon lacks is offered.
    caution : words of the pack's opinion mixed into the person's at each order of context (word
        alone, after one word, after two): a Dirichlet prior of that many words. The larger, the
        slower a few words move anything.
    rescaling : how far the person's use of a word changes how probable the pack holds it, 0 (not at all) to 1.
    rescaling_words : words of the pack's opinion that her use of each word is set against in that.
    start_weight : weight of the person's words against the pack before anything is known.
    start_words : how many typed words that first guess is worth.
    max_weight : the learnt weights are clipped here, so that the pack always keeps a say.
    max_words, max_phrases : words, and phrases of two or three words, kept; the most used stay.
    max_offered : words named in one overlay; what it costs the decoder grows with it.
    undo_words : the last so many confirmed words can be retracted exactly.

    Raises `PersonalError` naming a field that is out of range.
    """

    half_life_words: float = 2000.0
    enter_after: int = 2
    caution: tuple[float, float, float] = (30.0, 4.0, 2.0)
    rescaling: float = 0.5
    rescaling_words: float = 1000.0
    start_weight: float = 0.05
    start_words: float = 10.0
    max_weight: float = 0.8
    max_words: int = 5000
    max_phrases: int = 20_000
    max_offered: int = 3000
    undo_words: int = 200

    def __post_init__(self) -> None:
        for name, low in (("half_life_words", 50.0), ("start_words", 0.0)):
            _number(name, getattr(self, name), low, math.inf)
        _number("rescaling", self.rescaling, 0.0, 1.0)
        _number("rescaling_words", self.rescaling_words, 1.0, math.inf)
        _number("max_weight", self.max_weight, 0.0, 0.99)
        _number("start_weight", self.start_weight, 0.0, self.max_weight)
        if len(self.caution) != 3:
            raise PersonalError(
                f"has {len(self.caution)} values", field="caution", fix="give three numbers above 0"
            )
        for value in self.caution:
            _number("caution", value, 1e-6, math.inf)
        for name in ("enter_after", "max_words", "max_phrases", "max_offered"):
            whole_number(getattr(self, name), low=1, high=_MOST, error=PersonalError, field=name)
        whole_number(self.undo_words, low=0, high=_MOST, error=PersonalError, field="undo_words")


def _number(name: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        top = "" if high == math.inf else f" to {high:g}"
        raise PersonalError(f"is {value}", field=name, fix=f"give a number from {low:g}{top}")


# ---- counts ----

_Key = TypeVar("_Key", bound=Hashable)

Word = Annotated[str, msgspec.Meta(min_length=1, max_length=100)]
Whole = Annotated[int, msgspec.Meta(ge=0)]

_BITS = 20
# When the newest word weighs 2**16 times the oldest, all counts are shifted down by that much: they
# stay below 2**53, so that any JSON reader gets them right, and what has decayed to nothing drops out.
_SHIFT = 16


class WordObservation(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True, tag="learnt"
):
    """What one confirmed word taught: enough to learn it again, or to take it back. A line of a store's file.

    serial : number of the observation, never used twice by a store.
    clock : words typed before it.
    word : as counted, in lower case.
    context : up to two words before it, the oldest first.
    weight : how much it counts, above 0, up to 1.
    order : words of context for which something was known (0, 1 or 2); -1 where the observation says
        nothing about how far to trust the person's words.
    responsibility : P(the word came from the person's words rather than from the pack), at that time.
    form : how the word was written, for words the lexicon lacks; else empty.
    """

    serial: Whole
    clock: Whole
    word: Word
    context: Annotated[tuple[Word, ...], msgspec.Meta(max_length=2)] = ()
    weight: Annotated[float, msgspec.Meta(gt=0.0, le=1.0)] = 1.0
    order: Annotated[int, msgspec.Meta(ge=-1, le=2)] = -1
    responsibility: Annotated[float, msgspec.Meta(ge=0.0, le=1.0)] = msgspec.field(
        default=0.0, name="share"
    )
    form: str = ""

    @property
    def confirms(self) -> bool:
        """Whether it counts as a confirmation: the word was more probably meant than not."""
        return self.weight >= 0.5

    def without(self, word: str) -> WordObservation | None:
        """The observation when a word of its context is forgotten; None where it was about that word."""
        if self.word == word:
            return None
        if word not in self.context:
            return self
        last = len(self.context) - 1 - self.context[::-1].index(word)
        return msgspec.structs.replace(self, context=self.context[last + 1 :])


@dataclass(slots=True)
class WeightEvidence:
    """Decayed evidence for one mixture weight.

    responsibility : sum of the responsibilities of the person's words. total : of how many words.
    """

    responsibility: int = 0
    total: int = 0


@dataclass(slots=True)
class WordCounts:
    """All that is counted about one person. Counts are in units of `unit(clock)` at their time.

    words : word -> decayed count. times : word -> confirmations, undecayed.
    phrases : context -> follower -> decayed count, for contexts of one and two words.
    forms : word -> way of writing it -> times, for words the lexicon lacks.
    pinned : words added by hand -> way of writing; they stay until taken out or forgotten.
    evidence : evidence about the mixture weight after 0, 1 and 2 known words of context.
    """

    half_life: float
    clock: int = 0
    base: int = 0
    words: dict[str, int] = field(default_factory=dict)
    times: dict[str, int] = field(default_factory=dict)
    phrases: dict[tuple[str, ...], dict[str, int]] = field(default_factory=dict)
    forms: dict[str, dict[str, int]] = field(default_factory=dict)
    pinned: dict[str, str] = field(default_factory=dict)
    evidence: tuple[WeightEvidence, ...] = field(
        default_factory=lambda: tuple(WeightEvidence() for _ in range(3))
    )

    def unit(self, clock: int) -> int:
        """What a word typed at this clock adds."""
        return round(math.exp2(_BITS + (clock - self.base) / self.half_life))

    def check_clock(self, clock: int) -> None:
        """Raise `PersonalError` for a time that these counts cannot have come to."""
        if not 0 <= clock - self.base <= 64 * self.half_life:
            raise PersonalError(f"clock {clock} does not follow base {self.base}")

    def apply(self, observation: WordObservation) -> None:
        """Count one more word."""
        self._add(observation, 1)

    def reverse(self, observation: WordObservation) -> None:
        """Take a word back; the exact inverse of `apply`, whatever came between."""
        self._add(observation, -1)

    def _add(self, observation: WordObservation, sign: int) -> None:
        amount = sign * round(self.unit(observation.clock) * observation.weight)
        _bump(self.words, observation.word, amount)
        if observation.confirms:
            _bump(self.times, observation.word, sign)
        if observation.form:
            _bump_in(self.forms, observation.word, observation.form, sign)
        for start in range(len(observation.context)):
            _bump_in(self.phrases, observation.context[start:], observation.word, amount)
        if observation.order >= 0:
            evidence = self.evidence[observation.order]
            evidence.responsibility += sign * round(abs(amount) * observation.responsibility)
            evidence.total += amount
        self.clock += sign

    def forget(self, word: str) -> bool:
        """Drop a word and every phrase that holds it; whether there was anything."""
        held = word in self.words or word in self.pinned
        tables: tuple[dict[str, Any], ...] = (self.words, self.times, self.forms, self.pinned)
        for table in tables:
            table.pop(word, None)
        within = [c for c, f in self.phrases.items() if word in c or word in f]
        for context in within:
            self.phrases[context].pop(word, None)
            if word in context or not self.phrases[context]:
                del self.phrases[context]
        return held or bool(within)

    def n_phrases(self) -> int:
        """Phrases counted: pairs of a context and a follower."""
        return sum(len(followers) for followers in self.phrases.values())

    def settle(self, *, max_words: int, max_phrases: int) -> None:
        """Shift what is long past and keep the most used.

        Not invertible: only for counts that hold no observation which may yet be taken back.
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
        # The base moves by the words in which a count decays by 2**16; a fraction of a word is left
        # to the next time.
        step = round(_SHIFT * self.half_life)
        self.base += step
        self._take_rescaled(self, lambda count: count >> _SHIFT)

    def with_half_life(self, half_life: float) -> WordCounts:
        """The same knowledge at this moment, decaying at another pace from now on."""
        new = WordCounts(half_life=half_life, clock=self.clock, base=self.clock)
        factor = new.unit(self.clock) / self.unit(self.clock)
        new._take_rescaled(self, lambda count: round(count * factor))
        new.times, new.forms, new.pinned = self.times, self.forms, self.pinned
        new._match_words()
        return new

    def _take_rescaled(self, other: WordCounts, rescaled: Callable[[int], int]) -> None:
        """The decayed counts of `other`, each rescaled; what comes to nothing drops out."""

        def kept(table: dict[str, int]) -> dict[str, int]:
            return {word: n for word, count in table.items() if (n := rescaled(count))}

        self.words = kept(other.words)
        self.phrases = {c: few for c, f in other.phrases.items() if (few := kept(f))}
        for mine, theirs in zip(self.evidence, other.evidence, strict=True):
            mine.responsibility = rescaled(theirs.responsibility)
            mine.total = rescaled(theirs.total)

    def _match_words(self) -> None:
        """Confirmations and forms of words that have decayed to nothing or were dropped go with them."""
        tables: tuple[dict[str, Any], ...] = (self.times, self.forms)
        for table in tables:
            for word in table.keys() - self.words.keys() - self.pinned.keys():
                del table[word]


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
