"""A decoder's score: measures of what became of the words it was asked for, in all and by group."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from time import perf_counter
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.intervals import Estimate
from nearkey.simulate.calibration import Calibration, calibrate
from nearkey.simulate.columns import Floats
from nearkey.simulate.completion import Completion
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import BatchDecodes, Decodes, Faults, Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.outcomes import MEASURES, TOP, WordOutcomes
from nearkey.simulate.plain_data import plain
from nearkey.simulate.trial import Judged, TypedWords, judge

LONGEST_GROUP = 12
"""Words of this many characters and more are one group of `by_length`."""


@dataclass(frozen=True, slots=True)
class Latency:
    """Time of single answers, microseconds, on the machine that ran them.

    median, p90, p99, longest : quantiles over `words` answers. how : what was timed.
    """

    words: int
    median: float
    p90: float
    p99: float
    longest: float
    how: str

    @classmethod
    def of(cls, seconds: Floats | None, how: str) -> Latency | None:
        """Quantiles of times in seconds; None where there are none."""
        times = np.zeros(0) if seconds is None else seconds[np.isfinite(seconds)] * 1e6
        if len(times) == 0:
            return None
        median, p90, p99 = np.quantile(times, (0.5, 0.9, 0.99)).tolist()
        return cls(len(times), median, p90, p99, float(times.max()), how)

    def to_dict(self) -> dict[str, Any]:
        """Plain data; unit in the names."""
        return {
            "words": self.words,
            "median_us": self.median,
            "p90_us": self.p90,
            "p99_us": self.p99,
            "longest_us": self.longest,
            "how": self.how,
        }


def latency_of(decoder: OwnDecoder, queries: Queries, k: int) -> Latency | None:
    """Times of single answers of our decoder to each question, after a few to warm up."""
    seconds = np.empty(len(queries))
    for i in range(min(20, len(queries))):
        decoder.answer_one(queries, i, k)
    for i in range(len(queries)):
        start = perf_counter()
        decoder.answer_one(queries, i, k)
        seconds[i] = perf_counter() - start
    return Latency.of(seconds, "one call from Python, its context given as a state")


@dataclass(frozen=True, slots=True)
class GroupScore:
    """Measures of a group of words, with 95 % intervals; NaN where a group has no word for a measure.

    top : length of list -> share of words listed within it. found : share listed at all. mean_rank : of those.
    kspc : keystrokes per character as typed, corrections and spaces included (see `outcomes.MEASURES`).
    character_error_rate : edits that the first texts need, per character meant (Levenshtein; no spaces).
    bits_per_character : -log2 of the probability of the word meant, per character, space included; over the words
        that could be given any; None where the decoder gives no probabilities.
    """

    words: int
    top: dict[int, Estimate]
    found: Estimate
    mean_rank: Estimate
    kspc: Estimate
    character_error_rate: Estimate
    bits_per_character: Estimate | None

    @classmethod
    def of(cls, outcomes: WordOutcomes, members: NDArray[np.bool_] | None = None) -> GroupScore:
        """The measures of the words marked in `members`, (n,); of all without it."""
        chosen = outcomes if members is None else outcomes.select(members)
        found = {name: measure.estimate(chosen) for name, measure in MEASURES.items()}
        bits = found["bits_per_character"]
        return cls(
            words=len(chosen),
            top={k: found[f"top{k}"] for k in TOP},
            found=found["found"],
            mean_rank=found["mean_rank"],
            kspc=found["kspc"],
            character_error_rate=found["character_error_rate"],
            bits_per_character=bits if np.isfinite(bits.value) else None,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain data; what could not be measured is null."""
        tops = {f"top{k}": estimate for k, estimate in self.top.items()}
        rest: dict[str, Any] = plain(self, leave_out=("words", "top"))
        return {"words": self.words, **plain(tops), **rest}


@dataclass(frozen=True, slots=True)
class DecoderScore:
    """One decoder on one set of typed words.

    all, known, unknown : all words, those in the pack's lexicon, those outside it.
    by_length : characters -> measures of the words that long (the last entry holds longer ones too).
    ranks : ranks[r - 1] words were listed at place r; `missed` were not listed.
    calibration, calibration_known : of the first candidate's probability, over all words and over those in the
        lexicon: a word outside it is never first, whatever the decoder assumes.
    posterior : how probabilities were normalised, "" where the decoder gives none.
    outcomes : what became of each word; `to_dict` leaves it out.
    latency, seconds : depend on the machine; `to_dict` leaves them out.
    """

    decoder: str
    all: GroupScore
    known: GroupScore
    unknown: GroupScore
    by_length: dict[int, GroupScore]
    ranks: tuple[int, ...]
    missed: int
    calibration: Calibration | None
    calibration_known: Calibration | None
    posterior: str
    faults: Faults
    outcomes: WordOutcomes
    latency: Latency | None = None
    seconds: float = 0.0

    @classmethod
    def of(
        cls,
        judged: Judged,
        *,
        known: NDArray[np.bool_],
        k: int,
        name: str,
        latency: Latency | None = None,
    ) -> Self:
        """The score of what was judged.

        known : (n,) which words the pack's lexicon has. k : texts asked for. name : of the decoder.
        latency : where single answers were timed apart; else the times of `judged`, if it has them.
        """
        outcomes = judged.outcomes
        length = np.minimum(outcomes.characters, LONGEST_GROUP)
        ranks = np.bincount(outcomes.rank, minlength=k + 1)
        return cls(
            decoder=name,
            all=GroupScore.of(outcomes),
            known=GroupScore.of(outcomes, known),
            unknown=GroupScore.of(outcomes, ~known),
            by_length={
                int(n): GroupScore.of(outcomes, length == n) for n in np.unique(length).tolist()
            },
            ranks=tuple(ranks[1:].tolist()),
            missed=int(ranks[0]),
            calibration=_calibration(outcomes),
            calibration_known=_calibration(outcomes.select(known)),
            posterior="" if outcomes.posterior is None else outcomes.posterior.normaliser,
            faults=judged.faults,
            outcomes=outcomes,
            latency=latency or Latency.of(judged.answer_s, "each answer as it was asked for"),
            seconds=judged.seconds,
        )

    def to_dict(self, *, brief: bool = False) -> dict[str, Any]:
        """Quality: the same on every machine for the same version, pack and seed.

        brief : leave out the groups by length and the bins of the calibration, for few words.
        """
        whole: dict[str, Any] = plain(self, leave_out=("outcomes", "latency", "seconds"))
        if brief:
            del whole["by_length"]
            for name in ("calibration", "calibration_known"):
                if whole[name] is not None:
                    del whole[name]["bins"]
        return whole

    def speed(self) -> dict[str, Any]:
        """What depends on the machine."""
        return {
            "decoder": self.decoder,
            "words": self.all.words,
            "seconds": self.seconds,
            "latency": None if self.latency is None else self.latency.to_dict(),
        }


def score_decoder(
    typed: TypedWords,
    decoder: Decodes | BatchDecodes,
    *,
    lexicon: Sequence[str],
    name: str,
    k: int = 10,
    selection: Selection | None = None,
) -> DecoderScore:
    """Ask a decoder for every word typed and score its answers. What it does wrong is counted, never raised.

    lexicon : the pack's words. name : for reports. k : texts asked for. selection : model of picking a candidate.
    """
    judged = judge(typed, decoder, lexicon=lexicon, k=k, selection=selection)
    return DecoderScore.of(judged, known=typed.workload.known, k=k, name=name)


def _calibration(outcomes: WordOutcomes) -> Calibration | None:
    if outcomes.posterior is None or len(outcomes) == 0:
        return None
    return calibrate(outcomes.posterior.first, outcomes.rank == 1, origin=outcomes.origin)


@dataclass(frozen=True, slots=True)
class Compared:
    """A decoder beside ours, over the same words and touches.

    top1_to_ours, top3_to_ours, kspc_to_ours : its figure minus ours, paired word by word, with 95 % intervals.
    completion : what its completions save; None where it gives no live lists.
    """

    score: DecoderScore
    top1_to_ours: Estimate
    top3_to_ours: Estimate
    kspc_to_ours: Estimate
    completion: Completion | None = None

    @classmethod
    def of(
        cls, theirs: DecoderScore, ours: DecoderScore, completion: Completion | None = None
    ) -> Self:
        """Pair the words of two decoders."""
        top1, top3, kspc = (
            MEASURES[name].difference(theirs.outcomes, ours.outcomes)
            for name in ("top1", "top3", "kspc")
        )
        return cls(theirs, top1, top3, kspc, completion)

    def to_dict(self) -> dict[str, Any]:
        """Quality, as plain data."""
        return {**self.score.to_dict(brief=True), **plain(self, leave_out=("score",))}
