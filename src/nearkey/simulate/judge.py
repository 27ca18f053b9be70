"""Asking a decoder for every word typed, and judging its answers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import perf_counter, process_time

import numpy as np

from nearkey.simulate.calibration import list_posterior
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import BatchDecodes, Decodes, Posterior, Queries, ask
from nearkey.simulate.outcomes import WordOutcomes, place_answers
from nearkey.simulate.score_result import DecoderScore, Latency
from nearkey.simulate.typed import TypedWords

__all__ = ["Judged", "Stages", "score_decoder"]


class Stages:
    """Processor seconds of this process by stage of a run: what else runs on the machine has no part in them."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def __call__(self, name: str) -> Iterator[None]:
        start = process_time()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + process_time() - start


@dataclass(frozen=True, slots=True)
class Judged:
    """A decoder's score, and what became of each word."""

    score: DecoderScore
    outcomes: WordOutcomes


def score_decoder(
    typed: TypedWords,
    decoder: Decodes | BatchDecodes,
    *,
    name: str,
    k: int = 10,
    latency_words: int = 0,
    posterior: bool = True,
    stages: Stages | None = None,
) -> Judged:
    """Ask a decoder for every word and judge the answers. What it does wrong is counted, never raised.

    name : for reports. k : texts asked for. latency_words : how many words to time one by one (ours only).
    posterior : also judge the probabilities.
    """
    stages = stages or Stages()
    workload = typed.workload
    with stages("decoder"):
        start = perf_counter()
        answers = ask(decoder, typed.queries, k)
        seconds = perf_counter() - start
        given: Posterior | None = None
        if posterior and isinstance(decoder, OwnDecoder):
            given = decoder.posterior(typed.queries, workload.index)
        latency = _latency(decoder, typed.queries, k, latency_words)
    with stages("judging"):
        rank, distance = place_answers(answers, workload)
        if posterior and given is None:
            given = list_posterior(answers, rank, len(workload.lexicon))
        if latency is None and answers.seconds is not None:
            latency = Latency.of(answers.seconds, "each answer as it was asked for")
        keystrokes = typed.selection.keystrokes(typed.touches, rank, typed.spelled)
        outcomes = WordOutcomes(
            rank, distance, workload.characters, keystrokes, given, workload.origin
        )
        score = DecoderScore.of(
            outcomes,
            known=workload.known,
            k=k,
            name=name,
            faults=answers.faults,
            latency=latency,
            seconds=seconds,
        )
    return Judged(score, outcomes)


def _latency(
    decoder: Decodes | BatchDecodes, queries: Queries, k: int, words: int
) -> Latency | None:
    """Times of single answers of our decoder, after a few to warm up."""
    if not isinstance(decoder, OwnDecoder) or words == 0:
        return None
    n = min(words, len(queries))
    for i in range(min(20, n)):
        decoder.answer_one(queries, i, k)
    seconds = np.empty(n)
    for i in range(n):
        start = perf_counter()
        decoder.answer_one(queries, i, k)
        seconds[i] = perf_counter() - start
    return Latency.of(seconds, "one call from Python, its context given as a state")
