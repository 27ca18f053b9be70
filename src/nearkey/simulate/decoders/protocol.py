"""What the benchmark asks of a decoder, and what it keeps of the answers.

A decoder never learns which word was meant: it gets touches and the text before them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise
from time import perf_counter
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import State
from nearkey.simulate.columns import Floats, Ints

_MOST_EXAMPLES = 3
TIE_NATS = 1e-9
"""Texts of one list no further apart than this are equally probable: sums in another order differ by as much."""
SUM_TOLERANCE = 1e-6
"""A decoder that calls its log probabilities normalised may exceed a sum of 1 by this much."""


class Reading(Protocol):
    """One ranked text of an answer."""

    @property
    def text(self) -> str: ...

    @property
    def log_prob(self) -> float:
        """Natural log score; need not be normalised."""


@runtime_checkable
class Decodes(Protocol):
    """Touches and context in, ranked texts out: all that a decoder must be able to do. `nearkey.Decoder` is one.

    Texts are compared with the word meant in lower case. A reading may have a `word` besides its
    `text`: the word without marks or capitals, which is compared instead.
    """

    def decode(self, points: Floats, *, context: str | None, k: int) -> Sequence[Reading]:
        """At most k readings of the touches (n, 2), layout units, best first, none twice.

        context : the text before the word; "" is the start of a sentence; None says nothing is known.
        """


@runtime_checkable
class ListsLive(Protocol):
    """What a decoder may be able to do besides: give the live list of a word that may be unfinished."""

    def live(
        self, points: Floats, *, context: str | None, k: int, completions: bool
    ) -> Sequence[Reading]:
        """At most k readings, best first, as of `Decodes.decode`. completions : whether unfinished words are listed."""


@runtime_checkable
class BatchDecodes(Protocol):
    """A decoder that answers many questions at once; asked in place of `Decodes` where it can."""

    def answer(self, queries: Queries, k: int) -> Answers:
        """Answers to all queries, in order."""


@runtime_checkable
class LiveLists(Protocol):
    """A decoder that gives many live lists at once, where `lists_live` is true."""

    lists_live: bool

    def answer_live(self, queries: Queries, k: int, *, completions: bool | None = None) -> Answers:
        """The live lists of all queries, in order.

        completions : whether unfinished words are listed; None leaves that to the decoder.
        """


@dataclass(frozen=True, slots=True)
class Queries:
    """Questions to a decoder: the touches of each word and what stands before it.

    points : (n_touches, 2), layout units; offsets : (n + 1,) uint32, where each word's touches begin.
    contexts : the text before each word, or None. states : the same as states of the pack's own
    language model, for decoders built on it.
    """

    points: Floats
    offsets: NDArray[np.uint32]
    contexts: tuple[str, ...] | None = None
    states: tuple[State, ...] | None = None

    def __len__(self) -> int:
        return len(self.offsets) - 1

    def asked(self) -> list[int]:
        """The words of which touches arrived; of the others nothing is asked, and they are missed."""
        return np.flatnonzero(np.diff(self.offsets.astype(np.int64))).tolist()

    def touches(self, i: int) -> Floats:
        """The touches of the i-th word, (m, 2)."""
        return self.points[self.offsets[i] : self.offsets[i + 1]]

    def context(self, i: int) -> str | None:
        """The text before the i-th word."""
        return None if self.contexts is None else self.contexts[i]

    def placed(self) -> Queries:
        """The same, at the start of a sentence where no text before the words is told: as a live list has them."""
        if self.contexts is not None:
            return self
        return replace(self, contexts=("",) * len(self), states=None)

    def head(self, n: int) -> Queries:
        """The first n questions, or all."""
        return self.beginnings(range(min(n, len(self))))

    def beginnings(self, rows: Sequence[int], touches: int | None = None) -> Queries:
        """Some of the questions, of the first so many touches of each, of all without `touches`."""
        parts = [self.touches(i)[:touches] for i in rows]
        offsets = np.zeros(len(parts) + 1, np.uint32)
        np.cumsum([len(part) for part in parts], out=offsets[1:])
        return Queries(
            np.concatenate([self.points[:0], *parts]),
            offsets,
            None if self.contexts is None else tuple(self.contexts[i] for i in rows),
            None if self.states is None else tuple(self.states[i] for i in rows),
        )


@dataclass(slots=True)
class Faults:
    """What a decoder did wrong, by kind, with the first few examples of each."""

    counts: dict[str, int] = field(default_factory=dict)
    examples: dict[str, list[str]] = field(default_factory=dict)

    def add(self, kind: str, example: str) -> None:
        """Count one more."""
        self.counts[kind] = self.counts.get(kind, 0) + 1
        kept = self.examples.setdefault(kind, [])
        if len(kept) < _MOST_EXAMPLES:
            readable = example.encode("utf-8", "replace").decode()
            kept.append(" ".join(readable.split())[:200])

    def include(self, others: Faults) -> None:
        """Count those of another run of the same decoder, too."""
        for kind, count in others.counts.items():
            self.counts[kind] = self.counts.get(kind, 0) + count
            kept = self.examples.setdefault(kind, [])
            kept.extend(others.examples[kind][: _MOST_EXAMPLES - len(kept)])

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    def to_dict(self) -> dict[str, Any]:
        """Plain data: kind -> count and examples."""
        return {
            kind: {"count": count, "examples": self.examples[kind]}
            for kind, count in sorted(self.counts.items())
        }


@dataclass(frozen=True, slots=True)
class Answers:
    """Ranked texts of many questions.

    words : what `index` points at. index : (n, k) int, best first, -1 where there are fewer.
    log_probs : (n, k) natural logs, -inf where there are fewer; None where the decoder gives none.
    log_total : (n,) log of the sum of exp(log_prob) over everything the decoder holds possible, None where
    it does not say. seconds : (n,) time of each answer, where they were asked one by one.
    """

    words: Sequence[str]
    index: Ints
    log_probs: Floats | None = None
    log_total: Floats | None = None
    seconds: Floats | None = None
    faults: Faults = field(default_factory=Faults)

    def settled(self) -> Answers:
        """The same with texts that are equally probable (see `TIE_NATS`) in the alphabet's order.

        Whatever order sums of rounded numbers put them in: so no decoder gains or loses by a tie.
        """
        if self.log_probs is None:
            return self
        with np.errstate(
            invalid="ignore"
        ):  # where texts end, or are impossible, differences are none
            tied = np.diff(self.log_probs) >= -TIE_NATS
        rows = np.flatnonzero(tied.any(axis=1))
        if len(rows) == 0:
            return self
        index, log_probs = self.index.copy(), self.log_probs.copy()
        for row in rows.tolist():
            group = np.concatenate([[0], np.cumsum(~tied[row])])
            order = sorted(
                np.flatnonzero(index[row] >= 0).tolist(),
                key=lambda j: (group[j], self.words[int(index[row, j])]),
            )
            index[row, : len(order)] = index[row, order]
            log_probs[row, : len(order)] = log_probs[row, order]
        return replace(self, index=index, log_probs=log_probs)

    def first(self, i: int) -> str:
        """The first text of the i-th answer, "" where there is none."""
        at = int(self.index[i, 0])
        return self.words[at] if at >= 0 else ""


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probabilities a decoder gives after the touches.

    first : (n,) of its first text. target : (n,) natural log of the word meant, -inf where it held that impossible.
    normaliser : how they were made to sum to 1.
    """

    first: Floats
    target: Floats
    normaliser: str


def fault_of(
    texts: Sequence[Any], log_probs: Sequence[Any] | None, k: int, log_total: Any = None
) -> tuple[str, str] | None:
    """What is wrong with one answer, as kind and detail; None for a good one."""
    if len(texts) > k:
        return "too many texts", f"{len(texts)} texts where {k} were asked for"
    if not all(isinstance(text, str) and text for text in texts):
        return "not texts", f"{list(texts)[:3]!r}"
    if len(set(texts)) != len(texts):
        return "repeated text", f"{list(texts)[:5]!r}"
    if log_probs is None:
        return None
    if len(log_probs) != len(texts):
        return "wrong counts", f"{len(log_probs)} log_probs for {len(texts)} texts"
    values = [_number(p) for p in log_probs]
    if None in values:
        return "not numbers", f"{list(log_probs)[:3]!r}"
    numbers = [v for v in values if v is not None]
    if any(math.isnan(p) or p == math.inf for p in numbers):
        return "not a number", f"{list(log_probs)[:5]!r}"
    if any(after > before + TIE_NATS for before, after in pairwise(numbers)):
        return "not best first", f"{list(log_probs)[:5]!r}"
    if log_total is None:
        return None
    total = _number(log_total)
    if total is None or not math.isfinite(total):
        return "not a number", f"log_total {log_total!r}"
    over = sum(math.exp(min(p - total, 1.0)) for p in numbers)
    if over > 1.0 + SUM_TOLERANCE:
        return "probabilities over 1", f"they sum to {over:.6f}"
    return None


def _number(value: Any) -> float | None:
    """A number a decoder gave as a float, None where it is none or too large for one."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:
        return None


class Collector:
    """Gathers answers that come one by one into `Answers`."""

    def __init__(self, n: int, k: int) -> None:
        self._index = np.full((n, k), -1, dtype=np.int64)
        self._log_probs = np.full((n, k), -np.inf)
        self._log_total = np.full(n, np.nan)
        self._seconds = np.full(n, np.nan)
        self._place: dict[str, int] = {}
        self._scored = False
        self.faults = Faults()

    def take(
        self,
        i: int,
        texts: Sequence[str],
        log_probs: Sequence[float] | None,
        seconds: float,
        log_total: float | None = None,
    ) -> None:
        """Keep one good answer."""
        for j, text in enumerate(texts):
            self._index[i, j] = self._place.setdefault(text, len(self._place))
        if log_probs is not None:
            self._scored = True
            self._log_probs[i, : len(log_probs)] = log_probs
        if log_total is not None:
            self._log_total[i] = log_total
        self._seconds[i] = seconds

    def answers(self) -> Answers:
        """All of them; a question whose answer was faulty has none."""
        return Answers(
            words=list(self._place),
            index=self._index,
            log_probs=self._log_probs if self._scored else None,
            log_total=None if np.isnan(self._log_total).all() else self._log_total,
            seconds=self._seconds,
            faults=self.faults,
        )


def ask(decoder: Decodes | BatchDecodes, queries: Queries, k: int) -> Answers:
    """All answers of a decoder; one that raises or lies is reported in `faults`, and its word counts as missed."""
    if isinstance(decoder, BatchDecodes):
        return decoder.answer(queries, k)
    return _one_by_one(decoder.decode, queries, k)


class SingleLists:
    """Many live lists of a decoder that gives them one by one; faults as of `ask`."""

    lists_live = True

    def __init__(self, decoder: ListsLive) -> None:
        self._decoder = decoder

    def answer_live(self, queries: Queries, k: int, *, completions: bool | None = None) -> Answers:
        """See `LiveLists`."""
        asked = partial(self._decoder.live, completions=completions is not False)
        return _one_by_one(asked, queries, k, scored=False)


def _one_by_one(
    decode: Callable[..., Sequence[Reading]], queries: Queries, k: int, *, scored: bool = True
) -> Answers:
    kept = Collector(len(queries), k)
    for i in queries.asked():
        start = perf_counter()
        try:
            found = list(decode(queries.touches(i), context=queries.context(i), k=k))
            seconds = perf_counter() - start
            texts = [str(getattr(r, "word", r.text)).lower() for r in found]
            log_probs = [float(r.log_prob) for r in found] if scored else None
        except Exception as fault:  # whatever another person's decoder may raise
            kept.faults.add("raised", f"word {i}: {type(fault).__name__}: {fault}")
            continue
        wrong = fault_of(texts, log_probs, k)
        if wrong is not None:
            kept.faults.add(wrong[0], f"word {i}: {wrong[1]}")
            continue
        kept.take(i, texts, log_probs, seconds)
    return kept.answers()
