"""Our decoder before the benchmark: batches in the kernel, and its exact posterior."""

from __future__ import annotations

from dataclasses import replace
from time import perf_counter
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from nearkey.decode import Candidate, Decoder, State
from nearkey.decode.options import COMPLETION
from nearkey.decode.touches import MOST_TOUCHES
from nearkey.simulate.columns import Ints
from nearkey.simulate.decoders.protocol import (
    Answers,
    Collector,
    ListsLive,
    LiveLists,
    Posterior,
    Queries,
    SingleLists,
)

EXACT = "exact: the sum over every word of the lexicon with as many letters as touches"


class OwnDecoder:
    """A `Decoder` that answers many questions at once.

    Parameters
    ----------
    decoder : the decoder.
    use : "words" (exact search for words, all in one call of the kernel) or "live"
        (`Decoder.candidates`, word by word: spellings of unknown words, and edits and completions where the
        decoder has costs for them).
    context : whether the text before a word is used.
    threads : workers inside the kernel; the answers do not depend on them.
    """

    def __init__(
        self,
        decoder: Decoder,
        *,
        use: Literal["words", "live"] = "words",
        context: bool = True,
        threads: int = 1,
    ) -> None:
        self.decoder = decoder
        self.use = use
        self._context = context
        self._threads = threads
        self._other: Decoder | None = None
        self.lists_live = True

    def states(self, queries: Queries) -> tuple[State, ...] | None:
        """The states this decoder uses."""
        return queries.states if self._context else None

    def answer(self, queries: Queries, k: int) -> Answers:
        """Answers to all queries, in order."""
        if self.use == "live":
            return self.answer_live(queries.placed(), k)
        found, log_probs = self.decoder.decode_batch(
            queries.points,
            queries.offsets,
            contexts=self.states(queries),
            k=k,
            threads=self._threads,
        )
        return Answers(self.decoder.pack.lexicon.words, found.astype(np.int64), log_probs)

    def answer_one(self, queries: Queries, i: int, k: int) -> list[Candidate]:
        """One question the way a keyboard asks it."""
        touches = queries.touches(i)
        context = self._context_of(queries, i)
        if self.use == "live":
            return self.live(touches, "" if context is None else context, k)
        # Words that ran together can be longer than any that may be asked for: they are missed, as in a batch.
        if len(touches) > MOST_TOUCHES:
            return []
        return self.decoder.decode(touches, context=context, k=k)

    def live(
        self,
        points: ArrayLike,
        context: str | State | None,
        k: int,
        *,
        completions: bool | None = None,
    ) -> list[Candidate]:
        """The live list of one word's touches, a candidate a word: its readings with a mark behind it are the same word
        to the benchmark.

        completions : whether unfinished words are listed; as the decoder's costs say, unless given.
        """
        if len(np.asarray(points)) > MOST_TOUCHES:
            return []
        decoder = self.decoder if completions is None else self._listing(completions)
        firsts: dict[str, Candidate] = {}
        for candidate in decoder.candidates(points, context=context, k=k):
            firsts.setdefault(candidate.word, candidate)
        return list(firsts.values())

    def _listing(self, completions: bool) -> Decoder:
        """The decoder with unfinished words in its lists, at the usual cost where it has none, or without."""
        edits = self.decoder.edits
        if completions == (edits.completion is not None):
            return self.decoder
        if self._other is None:
            cost = COMPLETION if completions else None
            self._other = self.decoder.with_edits(replace(edits, completion=cost))
        return self._other

    def answer_live(self, queries: Queries, k: int, *, completions: bool | None = None) -> Answers:
        """Live lists, in order; see `live`."""
        kept = Collector(len(queries), k)
        for i in queries.asked():
            context = self._context_of(queries, i)
            since = perf_counter()
            found = self.live(queries.touches(i), context, k, completions=completions)
            kept.take(i, [one.word for one in found], None, perf_counter() - since)
        return kept.answers()

    def _context_of(self, queries: Queries, i: int) -> str | State | None:
        if not self._context:
            return "" if self.use == "live" else None
        return queries.context(i) if queries.states is None else queries.states[i]

    def posterior(self, queries: Queries, target: Ints) -> Posterior | None:
        """Probability of the first word, and of the words meant, given by lexicon index (-1: outside it).

        Every word with as many letters as touches is scored, so the normaliser is exact. None in live use
        and with edits, whose readings are not that set of words.
        """
        edits = self.decoder.edits
        if self.use == "live" or any((edits.omitted, edits.extra, edits.swapped)):
            return None
        model, weight = self.decoder.pack.language_model, self.decoder.lm_weight
        alone = weight * np.asarray(self.decoder.pack.lexicon.log_probs, dtype=np.float64)
        states = self.states(queries)
        touches = self.decoder.touches(queries.points)
        n = len(queries)
        first, meant = np.zeros(n), np.full(n, -np.inf)
        repeats: dict[int, bool] = {}
        starts = queries.offsets.tolist()
        for i in range(n):
            index, touch = self.decoder.touch_scores(touches.part(starts[i], starts[i + 1]))
            if len(index) == 0:
                continue
            if states is None:
                total = touch + alone[index]
            else:
                given = model.log_probs(states[i])[index]
                total = touch + weight * given.astype(np.float64)
            length = starts[i + 1] - starts[i]
            if length not in repeats:
                repeats[length] = len(np.unique(index)) < len(index)
            if repeats[length]:
                # A word that can be typed in two ways counts once, in the better one.
                each = np.full(len(alone), -np.inf)
                np.maximum.at(each, index, total)
                index = np.unique(index)
                total = each[index]
            best = total.max()
            mass = float(np.exp(total - best).sum())
            first[i] = 1.0 / mass
            own = total[index == target[i]]
            if len(own):
                meant[i] = own[0] - best - np.log(mass)
        return Posterior(first, meant, EXACT)


def live_lists(decoder: object) -> LiveLists | None:
    """A decoder as one that gives live lists; None where it gives none.

    decoder : a `Decoder`, what has `answer_live` (see `LiveLists`), or `live` for a word at a time (see `ListsLive`).
    """
    if isinstance(decoder, Decoder):
        return OwnDecoder(decoder)
    if isinstance(decoder, LiveLists):
        return decoder if decoder.lists_live else None
    return SingleLists(decoder) if isinstance(decoder, ListsLive) else None
