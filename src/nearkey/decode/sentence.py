"""Whole sentences from touches whose spaces are noisy or missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

import nearkey._kernel as _kernel
from nearkey.bounds import whole_number
from nearkey.decode.candidates import Sentence
from nearkey.decode.layout_columns import mean_density
from nearkey.decode.options import candidate_count
from nearkey.decode.protocols import MixedLanguageModel, State
from nearkey.decode.touches import Touches
from nearkey.decode.word_search import WordSearch
from nearkey.errors import DecodeError

MISSING_SPACE = math.log(0.02)
"""How often a space gets no touch where there are space keys; common practice, no source."""

RESCORED = 24
"""Readings found with the n-gram table among which a mixed model chooses (common practice, no source). Each takes a
vector for each of its words that no other reading shares."""

MOST_SENTENCE_TOUCHES = 500
"""Touches of one sentence. The time a sentence takes grows with them."""

_WIDEST = 10_000

_UNKNOWN, _SPACE, _LETTER = 0, 1, 2


def decode_sentence(
    search: WordSearch,
    events: ArrayLike | Touches | Sequence[Any],
    state: State | None,
    k: int,
    *,
    missing_space: float | None,
    width: int,
    words: int,
    beam_threshold: float,
) -> list[Sentence]:
    """See `Decoder.decode_sentence`."""
    k = candidate_count(k, "decode_sentence")
    for name, value in (("width", width), ("words", words)):
        whole_number(
            value, low=1, high=_WIDEST, error=DecodeError, where="decode_sentence", field=name
        )
    if not beam_threshold > 0:
        raise DecodeError(
            f"{beam_threshold} keeps nothing",
            where="decode_sentence",
            field="beam_threshold",
            fix="give nats above 0",
        )
    given, boundary = _split(events)
    touches = search.touches(given)
    n = len(touches)
    if n == 0:
        return []
    if n > MOST_SENTENCE_TOUCHES:
        raise DecodeError(
            f"{n} touches in one sentence",
            where="decode_sentence",
            field="events",
            fix=f"give {MOST_SENTENCE_TOUCHES} at most",
        )
    spaces = search.columns.spaces
    if missing_space is None:
        # Where no space can be typed, all are missing.
        missing_space = 0.0 if not spaces and not boundary.any() else MISSING_SPACE
    if not missing_space <= 0:
        raise DecodeError(
            f"{missing_space} is no log probability",
            where="decode_sentence",
            field="missing_space",
            fix="give 0 or less",
        )
    space = np.zeros(0)
    if spaces:
        space = np.ascontiguousarray(mean_density(search.key_densities(touches), spaces))
    elif boundary.any():
        space = np.full(n, -np.inf)
    mixed = search.parts.mixed_model
    # Without a state nothing is known of the first word alone; a table has a state for that, the empty one.
    dense = None if search.by_table or mixed is not None else _States(search, state, width)
    context = state if mixed is None or state is None else mixed.ngram_state(state)
    found = _kernel.decode_sentence(
        search.by_ngrams,
        search.speller,
        touches.rows,
        () if context is None or dense is not None else context,
        k if mixed is None else max(k, RESCORED),
        search.finished,
        space,
        boundary,
        float(missing_space),
        width,
        words,
        float(beam_threshold),
        dense,
    )
    if mixed is not None:
        found = _rescored(search, mixed, state, found)[:k]
    out = []
    for total, touch, language, parts in found:
        text: list[str] = []
        shown: list[str] = []
        for word, _, _, _ in parts:
            index = None if isinstance(word, bytes) else word
            text.append(search.word(word))
            start = not shown and search.starts_sentence(state)
            shown.append(search.shown(text[-1], index, start=start))
        spans = tuple((first, last) for _, first, last, _ in parts)
        out.append(Sentence(" ".join(shown), tuple(text), spans, total, touch, language))
    return out


_Found = tuple[float, float, float, list[tuple[int | bytes, int, int, bool]]]
"""A reading as the kernel gives it: total, touch, language, and the words with their touches."""


def _rescored(
    search: WordSearch, mixed: MixedLanguageModel, state: State | None, found: list[_Found]
) -> list[_Found]:
    """Readings that the n-gram table found, with the scores of the whole model, best first."""
    table, lexicon = mixed.ngram.table, search.parts.lexicon
    # By the words of a reading so far: states of both models; readings share most of their beginnings.
    states: dict[tuple[int | bytes, ...], tuple[State | None, State]] = {
        (): (state, () if state is None else mixed.ngram_state(state))
    }

    def gain(before: tuple[int | bytes, ...], part: int | bytes) -> float:
        """By how much a word is more probable by the whole model than by the table."""
        whole, context = states[before]
        if isinstance(part, bytes):
            known = whole is not None
            return mixed.log_unknown(whole) - table.log_prob(context, table.unk) if known else 0.0
        # Where nothing is known before the first word, it has the lexicon's own probability.
        log_probs = lexicon.log_probs if whole is None else mixed.log_probs(whole)
        token = int(mixed.ngram.tokens([lexicon.words[part]])[0])
        return float(log_probs[part]) - table.log_prob(context, token)

    out: list[_Found] = []
    gains: dict[tuple[int | bytes, ...], float] = {}
    for total, touch, language, parts in found:
        words: tuple[int | bytes, ...] = ()
        gained = 0.0
        for part, _, _, _ in parts:
            before, words = words, (*words, part)
            if words not in gains:
                if before not in states:
                    whole = states[before[:-1]][0]
                    after = mixed.advance(
                        search.start if whole is None else whole, search.word(before[-1])
                    )
                    states[before] = (after, mixed.ngram_state(after))
                gains[words] = gain(before, part)
            gained += gains[words]
        gained *= search.lm_weight
        out.append((total + gained, touch, language + gained, parts))
    return sorted(out, key=lambda reading: -reading[0])


class _States:
    """A language model without a table, as the kernel's beam asks it: states by number, 0 being the first."""

    def __init__(self, search: WordSearch, state: State | None, width: int) -> None:
        self._search = search
        self._model = search.parts.language_model
        self._states: list[State | None] = [state]
        self._number: dict[State | None, int] = {state: 0}
        # The beam asks for the same `width` states again while a word grows.
        self._kept = lru_cache(width)(search.tries.make_scores)

    def scores(self, number: int) -> _kernel.DenseScores:
        """The vector after a state; without context for None."""
        state = self._states[number]
        return self._search.tries.no_context if state is None else self._kept(state)

    def unknown(self, number: int) -> float:
        """Natural log P(a word outside the lexicon | state), unweighted."""
        state = self._states[number]
        return self._model.log_unknown(self._search.start if state is None else state)

    def advance(self, number: int, word: int | bytes) -> int:
        """The state after one more word: of the lexicon by its index, or spelled."""
        state = self._states[number]
        # What nothing is known of is taken as a sentence's start.
        before = self._search.start if state is None else state
        after = self._model.advance(before, self._search.word(word))
        number = self._number.setdefault(after, len(self._states))
        if number == len(self._states):
            self._states.append(after)
        return number


def _split(
    events: ArrayLike | Touches | Sequence[Any],
) -> tuple[ArrayLike | Touches, NDArray[np.uint8]]:
    """Touches, and for each what is known of it. A certain space becomes a touch of its own at the origin,
    whose place does not count."""
    if isinstance(events, np.ndarray | Touches):
        return events, np.zeros(0, np.uint8)
    points: list[Any] = []
    known: list[int] = []
    for event in cast(Sequence[Any], events):
        if isinstance(event, str):
            if event != " ":
                raise DecodeError(
                    f"{event!r} is neither a touch nor a space",
                    where="decode_sentence",
                    field="events",
                    fix='give (x, y), or " " for a certain space',
                )
            # Spaces before the first word and after another space say nothing.
            if known and known[-1] != _SPACE:
                points.append((0.0, 0.0))
                known.append(_SPACE)
        else:
            points.append(event)
            known.append(_UNKNOWN)
    if known and known[-1] == _SPACE:
        points.pop()
        known.pop()
    boundary = np.asarray(known, dtype=np.uint8)
    return points, boundary if boundary.any() else np.zeros(0, np.uint8)
