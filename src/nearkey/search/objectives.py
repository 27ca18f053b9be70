"""What a search looks for: exact objectives of letter assignments, each with its formula and source.

All take assignments of a space's letters to its keys as rows, `(n, n_letters)` uint8 in the order of `space.letters`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any, Literal, Protocol, cast, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from nearkey import _kernel
from nearkey.decode import LanguagePack, TableLanguageModel
from nearkey.errors import LayoutError, PlanError
from nearkey.layout import Layout
from nearkey.layout.key import letter_extent
from nearkey.search.letter_space import LetterSpace
from nearkey.simulate.keystrokes import Speed, SpelledLexicon, finger_fitts_time

Floats = NDArray[np.float64]
Assignments = NDArray[np.uint8]
Direction = Literal["max", "min"]
_FEWEST_NEAR = 4  # keys: on fewer, most words share theirs, and a whole evaluation is as quick
_MOST_NEAR = 64  # letters, which the kernel holds as bits


@runtime_checkable
class Objective(Protocol):
    """What a search asks for."""

    @property
    def name(self) -> str:
        """As in tables and files."""

    @property
    def direction(self) -> Direction:
        """The good end: "max" or "min"."""

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """The objective of each assignment, (n,), finite."""


@runtime_checkable
class BoundedObjective(Objective, Protocol):
    """An objective that no merging of keys makes better, so that partial assignments have a bound.

    That is so of ambiguity: where two keys become one, words that differed may no longer differ, and none that were
    alike are distinguished.
    """

    def bound(self, space: LetterSpace, partial: NDArray[np.int16]) -> Floats:
        """What no completion of each partial assignment is better than, (n,).

        partial : (n, n_letters), keys of the letters that are decided, -1 for others, which may count as having keys of
        their own.
        """


MayReach = Callable[[NDArray[np.uint8], Assignments, float], NDArray[np.bool_]]
"""Of a layout at hand (n_letters,), others near it (n, n_letters) and a value: which of them may be that good. The rest
certainly are not. For one thread."""


@runtime_checkable
class NearObjective(Objective, Protocol):
    """An objective that can turn layouts down unevaluated, by what they differ in from one at hand."""

    def near(self, space: LetterSpace) -> MayReach | None:
        """A `MayReach`; None where that saves nothing."""


def ambiguity_words(pack: LanguagePack, letters: str, words: int | None = None) -> SpelledLexicon:
    """The pack's words as `collisions` counts them; only so many of the most probable where `words` says so."""
    spelled = SpelledLexicon.of(pack, letters)
    if words is None or words >= len(spelled.word):
        return spelled
    share = spelled.share[:words]
    return SpelledLexicon(
        spelled.letters,
        spelled.n_words,
        spelled.word[:words],
        spelled.typed[:words],
        share / share.sum(),
        spelled.characters[:words],
    )


def _columns(space: LetterSpace, letters: str) -> list[int]:
    """Columns of a space's assignments for these letters, in their order."""
    return [space.letters.index(letter) for letter in letters]


def _own_keys(partial: NDArray[np.int16], n_keys: int) -> Assignments:
    """Undecided letters get keys of their own."""
    own = np.arange(n_keys, n_keys + partial.shape[1], dtype=np.int16)
    return np.where(partial >= 0, partial, own).astype(np.uint8)


class _OfWords:
    """Objectives over the kernel's words, which are made anew in another process: they take a millisecond."""

    spelled: SpelledLexicon
    threads: int

    def _typed_keys(self, space: LetterSpace, keys: Assignments) -> Assignments:
        """Columns of a space's assignments for the letters of the words, in their order."""
        return np.ascontiguousarray(keys[:, _columns(space, self.spelled.letters)])

    def _measured(self, own: Assignments, n_keys: int) -> Floats:
        """What the kernel says of such columns: shares of words first and among the first three, words above one."""
        return self._words.evaluate(own, n_keys, threads=self.threads)

    @cached_property
    def _words(self) -> _kernel.AmbiguityWords:
        typed = np.ascontiguousarray(self.spelled.typed)
        return _kernel.AmbiguityWords(typed, self.spelled.share, len(self.spelled.letters))

    def __getstate__(self) -> dict[str, Any]:
        return {one.name: getattr(self, one.name) for one in fields(cast(Any, self))}


class _Ambiguity(_OfWords):
    """Objectives that merging keys makes no better."""

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """See `Objective`."""
        return self._values(space, keys, len(space.key_ids))

    def bound(self, space: LetterSpace, partial: NDArray[np.int16]) -> Floats:
        """See `BoundedObjective`."""
        n_keys = len(space.key_ids)
        return self._values(space, _own_keys(partial, n_keys), n_keys + partial.shape[1])

    def _values(self, space: LetterSpace, keys: Assignments, n_keys: int) -> Floats:
        raise NotImplementedError


@dataclass(frozen=True)
class AmbiguityObjective(_Ambiguity):
    """How often a word is first, or among the first three, of the words on its keys; or what choosing it costs. Exact.

    Over the whole lexicon, P(w) the pack's word probabilities, touches perfect, a word's rank its place by probability
    among the words with the same key sequence:
    "top1" = sum of P(w) where rank(w) = 1; "top3" where rank(w) <= 3 (both as in `nearkey.simulate.keystrokes`);
    "kspc" = sum of P(w) (letters(w) + rank(w)) / sum of P(w) characters(w), the space after each word counted in both
    (MacKenzie, "KSPC as a characteristic of text entry techniques", MobileHCI 2002; `characteristic_kspc`).

    spelled : the words, from `ambiguity_words`. measure : which. threads : of one call.
    """

    spelled: SpelledLexicon
    measure: Literal["top1", "top3", "kspc"] = "top1"
    threads: int = 1

    @property
    def name(self) -> str:
        """The measure."""
        return self.measure

    @property
    def direction(self) -> Direction:
        """Shares are to be high, keystrokes low."""
        return "min" if self.measure == "kspc" else "max"

    def _values(self, space: LetterSpace, keys: Assignments, n_keys: int) -> Floats:
        found = self._measured(self._typed_keys(space, keys), n_keys)
        if self.measure == "top1":
            return found[:, 0].copy()
        if self.measure == "top3":
            return found[:, 1].copy()
        touches, characters = self._typed
        return np.asarray((touches + found[:, 2]) / characters)

    @cached_property
    def _typed(self) -> tuple[float, float]:
        """Touches and characters of a word in the mean, the space after it in both."""
        share = self.spelled.share
        return (
            float((share * (self.spelled.lengths + 1)).sum()),
            float((share * self.spelled.characters).sum()),
        )

    def near(self, space: LetterSpace) -> MayReach | None:
        """See `NearObjective`. Exact: only words with a moved letter count, and the sum ends as soon as it decides."""
        n_keys, columns = len(space.key_ids), _columns(space, self.spelled.letters)
        if n_keys < _FEWEST_NEAR or len(columns) > _MOST_NEAR:
            return None
        cost = _kernel.NearLayouts(
            self._words, n_keys, "above" if self.measure == "kspc" else self.measure
        )
        touches, characters = self._typed

        def may_reach(
            here: NDArray[np.uint8], keys: Assignments, least: float
        ) -> NDArray[np.bool_]:
            most = (
                least * characters - touches
                if self.measure == "kspc"
                else float(self.spelled.share.sum()) - least
            )
            rows = np.ascontiguousarray(keys[:, columns])
            return np.isfinite(cost.bound(np.ascontiguousarray(here[columns]), rows, most))

        return may_reach


@dataclass(frozen=True)
class ContextObjective(_Ambiguity):
    """Ambiguity after the word before, by the pack's word pairs: share of tokens first, or among the first three.

    sum over contexts c of P(c) sum over w of P(w | c) [rank of w by P(. | c) among the words on its keys <= 1 or 3].
    Contexts are the `contexts` most probable words of the lexicon, with P(w | c) by the pack's n-gram table: words that
    the table has after c as they are, others by its back-off. For words after any other word the lexicon's own
    probabilities hold. Exact for that model; touches perfect. (Definition of this project.)

    pack : with an n-gram table. spelled : from `ambiguity_words`. measure : "top1" or "top3".
    Raises PlanError for a pack without a table.
    """

    pack: LanguagePack
    spelled: SpelledLexicon
    measure: Literal["top1", "top3"] = "top1"
    contexts: int = 500
    threads: int = 1

    @property
    def name(self) -> str:
        """The measure, and that it is in context."""
        return f"{self.measure} in context"

    @property
    def direction(self) -> Direction:
        """To be high."""
        return "max"

    def _values(self, space: LetterSpace, keys: Assignments, n_keys: int) -> Floats:
        rest, contexts = self._made
        own = self._typed_keys(space, keys)
        column = 0 if self.measure == "top1" else 1
        value = contexts.evaluate(own, n_keys, threads=self.threads)[:, column]
        if rest > 0:
            value = value + rest * self._measured(own, n_keys)[:, column]
        return np.asarray(value)

    @cached_property
    def _made(self) -> tuple[float, _kernel.AmbiguityContexts]:
        """Probability of all other contexts, and the kernel's contexts over words by the table's unigrams."""
        spelled = self.spelled
        model: Any = self.pack.language_model
        model = getattr(model, "ngram", model)
        if not isinstance(model, TableLanguageModel):
            raise PlanError(
                "its pack has no table of n-grams", field="objectives", fix="leave out context"
            )
        table, words = model.table, self.pack.lexicon.words
        tokens = np.asarray(
            model.tokens([words[i] for i in spelled.word.tolist()]), dtype=np.uint32
        )
        row_of = {token: row for row, token in enumerate(tokens.tolist())}
        unigram = np.exp(table.log_probs([], tokens))
        order = np.argsort(-unigram, kind="stable")
        share = unigram[order] / unigram.sum()
        kernel_words = _kernel.AmbiguityWords(
            np.ascontiguousarray(spelled.typed[order]), share, len(spelled.letters)
        )
        place = np.empty(len(order), np.int64)
        place[order] = np.arange(len(order))
        left: list[float] = []
        offset = [0]
        word: list[NDArray[np.int64]] = []
        probability: list[Floats] = []
        for c in range(min(self.contexts, len(spelled.word))):
            context = [int(tokens[c])]
            all_log = np.exp(table.log_probs(context, tokens))
            follower, _ = table.followers(context)
            rows = np.asarray([row_of[t] for t in follower.tolist() if t in row_of], dtype=np.int64)
            # The context's own probabilities, normalised over the words that the letters can type.
            total = all_log.sum()
            own = all_log[rows] / total
            by_rank = np.argsort(-own, kind="stable")
            weight = float(spelled.share[c])
            others = np.ones(len(tokens), dtype=bool)
            others[rows] = False
            mass = unigram[others].sum() / unigram.sum()
            left.append(weight * float(all_log[others].sum() / total / mass) if mass > 0 else 0.0)
            word.append(place[rows[by_rank]])
            probability.append(weight * own[by_rank])
            offset.append(offset[-1] + len(rows))
        contexts = _kernel.AmbiguityContexts(
            kernel_words,
            np.asarray(left),
            np.asarray(offset, dtype=np.uint32),
            np.concatenate([*word, np.zeros(0, np.int64)]).astype(np.uint32),
            np.concatenate([*probability, np.zeros(0)]),
        )
        return float(1.0 - spelled.share[: self.contexts].sum()), contexts


@dataclass(frozen=True)
class FamiliarityObjective:
    """Mean distance of letters from where the base has them, in shares of the letters' extent; low is familiar.

    sum over letters of weight(l) |place(l) - place in the base(l)|, as `Layout.distance_from`, whose definition it is.

    weights : of each letter, such as its frequency; equal without it.
    """

    base: Layout
    weights: dict[str, float] | None = None
    name: str = field(default="familiarity", init=False)
    direction: Direction = field(default="min", init=False)

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """See `Objective`."""
        there = _shares(self.base)
        here = _shares(space.shapes)
        wanted = np.asarray([there[self.base.key_of_letter[letter]] for letter in space.letters])
        distance = np.hypot(*np.moveaxis(wanted[:, None, :] - here[None, :, :], -1, 0))
        return _weighted(distance, space, keys, self.weights)


@dataclass(frozen=True)
class ReachObjective:
    """Mean distance of letters' keys from where the finger rests, millimetres; low is near.

    sum over letters of f(l) |centre of the key of l - home|, f the letters' frequencies. (Common practice, no source.)

    home_mm : (x, y) on the surface; its middle without it. weights : of each letter; equal without it.
    """

    home_mm: tuple[float, float] | None = None
    weights: dict[str, float] | None = None
    name: str = field(default="reach", init=False)
    direction: Direction = field(default="min", init=False)

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """See `Objective`."""
        shapes = space.shapes
        centers = np.asarray([(k.cx, k.cy) for k in shapes.letter_keys]) * shapes.unit_mm
        home = self.home_mm or (
            shapes.width * shapes.unit_mm / 2,
            shapes.height * shapes.unit_mm / 2,
        )
        distance = np.hypot(*(centers - np.asarray(home)).T)
        return _weighted(np.tile(distance, (len(space.letters), 1)), space, keys, self.weights)


@dataclass(frozen=True)
class SpeedObjective(_OfWords):
    """Predicted words of five characters a minute, touches perfect.

    12 sum P(w) characters(w) / sum P(w) [start + sum over touches of T(distance) + (scan + keystroke) rank(w)], the
    space counted: T is the finger's law (`finger_fitts_time`: Bi, Li & Zhai 2013, equation from memory) from key centre
    to key centre, a word's first touch of no distance; reading the list takes `scan_s` a candidate, each press of next
    and the space `keystroke_s`. The constants are those of `Speed`: compare layouts by it, do not quote it.

    spelled : from `ambiguity_words`. spread_mm : of the endpoints. speed : constants.
    """

    spelled: SpelledLexicon
    spread_mm: float
    speed: Speed = field(default_factory=Speed)
    threads: int = 1
    name: str = field(default="wpm", init=False)
    direction: Direction = field(default="max", init=False)

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """See `Objective`."""
        shapes, spelled, speed = space.shapes, self.spelled, self.speed
        centers = np.asarray([(k.cx, k.cy) for k in shapes.letter_keys]) * shapes.unit_mm
        distance = np.hypot(*np.moveaxis(centers[:, None] - centers[None], -1, 0))
        time_s = finger_fitts_time(
            distance, self.spread_mm, a_s=speed.a_s, b_s=speed.b_s, sigma_a_mm=speed.sigma_a_mm
        )
        own = self._typed_keys(space, keys)
        rank = 1.0 + self._measured(own, len(space.key_ids))[:, 2]
        first, second = np.nonzero(self._pairs)
        movement = time_s[own[:, first], own[:, second]] @ self._pairs[first, second]
        movement += time_s[0, 0]  # a word's first touch
        seconds = speed.start_s + movement + (speed.scan_s + speed.keystroke_s) * rank
        return np.asarray(12.0 * float((spelled.share * spelled.characters).sum()) / seconds)

    @cached_property
    def _pairs(self) -> Floats:
        """Expected number of each pair of neighbouring letters in a word, (n_letters, n_letters)."""
        n, typed = len(self.spelled.letters), self.spelled.typed.astype(np.int64)
        pairs = np.zeros((n + 1, n + 1))
        for i in range(typed.shape[1] - 1):
            np.add.at(pairs, (typed[:, i], typed[:, i + 1]), self.spelled.share)
        return pairs[1:, 1:]


@dataclass(frozen=True)
class CallableObjective:
    """Any function of a layout. It must be picklable where work goes to other processes.

    score : a layout -> a finite number. name, direction : see `Objective`.
    """

    score: Callable[[Layout], float]
    name: str = "score"
    direction: Direction = "max"

    def evaluate(self, space: LetterSpace, keys: Assignments) -> Floats:
        """See `Objective`. Raises LayoutError for a score that is not finite."""
        values = np.asarray([float(self.score(space.layout(row))) for row in keys.tolist()])
        if not np.isfinite(values).all():
            raise LayoutError(
                f"is {values[~np.isfinite(values)][0]} for a layout",
                field=self.name,
                fix="return a finite number",
            )
        return values


def _shares(layout: Layout) -> Floats:
    """Centres of the keys as shares of the extent of those with letters, (n_keys, 2)."""
    left, top, right, bottom = letter_extent(layout.letter_keys)
    centers = np.asarray([(key.cx, key.cy) for key in layout.letter_keys])
    return np.asarray((centers - [left, top]) / [right - left, bottom - top])


def _weighted(
    cost: Floats, space: LetterSpace, keys: Assignments, weights: dict[str, float] | None
) -> Floats:
    """Weighted mean over letters of what each costs on its key; cost : (n_letters, n_keys)."""
    share = np.asarray([1.0 if weights is None else weights.get(c, 0.0) for c in space.letters])
    if not (np.isfinite(share).all() and (share >= 0).all() and share.sum() > 0):
        raise LayoutError(
            "negative, infinite or all 0", field="weights", fix="give the letters' frequencies"
        )
    return np.asarray(cost[np.arange(len(space.letters)), keys] @ (share / share.sum()))
