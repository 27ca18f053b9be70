"""What a score holds: measures of a decoder on typed words, and of the layout they were typed on."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from os import PathLike
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.files import atomic_write
from nearkey.intervals import Estimate, paired_difference, rounded
from nearkey.simulate.calibration import Calibration, calibrate
from nearkey.simulate.completion import Completion
from nearkey.simulate.decoders.protocol import Faults
from nearkey.simulate.outcomes import GroupScore, WordOutcomes, plain
from nearkey.simulate.words import count_different

__all__ = ["Compared", "DecoderScore", "Latency", "LayoutScore", "StaticScore"]

SCHEMA = "nearkey-score"
VERSION = 1

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
    def of(cls, seconds: NDArray[np.float64], how: str) -> Latency | None:
        """Quantiles of times in seconds; None where there are none."""
        times = seconds[np.isfinite(seconds)] * 1e6
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


@dataclass(frozen=True, slots=True)
class DecoderScore:
    """One decoder on one set of typed words.

    all, known, unknown : all words, those in the pack's lexicon, those outside it.
    by_length : characters -> measures of the words that long (the last entry holds longer ones too).
    ranks : ranks[r - 1] words were listed at place r; `missed` were not listed.
    calibration, calibration_known : of the first candidate's probability, over all words and over those in the
        lexicon: a word outside it is never first, whatever the decoder believes.
    posterior : how probabilities were normalised, "" where the decoder gives none.
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
    latency: Latency | None = None
    seconds: float = 0.0

    @classmethod
    def of(
        cls,
        outcomes: WordOutcomes,
        *,
        known: NDArray[np.bool_],
        k: int,
        name: str,
        faults: Faults,
        latency: Latency | None,
        seconds: float,
    ) -> DecoderScore:
        """The score of outcomes; `known` (n,) says which words the pack's lexicon has."""
        length = np.minimum(outcomes.characters, LONGEST_GROUP)
        ranks = np.bincount(outcomes.rank, minlength=k + 1)
        posterior = outcomes.posterior
        calibration = calibration_known = None
        if posterior is not None:
            right = outcomes.rank == 1
            origin = outcomes.origin
            calibration = calibrate(posterior.first, right, origin=origin)
            if known.any():
                calibration_known = calibrate(
                    posterior.first[known],
                    right[known],
                    origin=None if origin is None else origin[known],
                )
        return cls(
            decoder=name,
            all=GroupScore.of(outcomes, np.ones(len(outcomes), dtype=bool)),
            known=GroupScore.of(outcomes, known),
            unknown=GroupScore.of(outcomes, ~known),
            by_length={
                int(n): GroupScore.of(outcomes, length == n) for n in np.unique(length).tolist()
            },
            ranks=tuple(ranks[1:].tolist()),
            missed=int(ranks[0]),
            calibration=calibration,
            calibration_known=calibration_known,
            posterior="" if posterior is None else posterior.normaliser,
            faults=faults,
            latency=latency,
            seconds=seconds,
        )

    def to_dict(self) -> dict[str, Any]:
        """Quality: the same on every machine for the same version, pack and seed."""
        return {
            "decoder": self.decoder,
            "all": self.all.to_dict(),
            "known": self.known.to_dict(),
            "unknown": self.unknown.to_dict(),
            "by_length": {str(n): group.to_dict() for n, group in self.by_length.items()},
            "ranks": list(self.ranks),
            "missed": self.missed,
            "calibration": None if self.calibration is None else self.calibration.to_dict(),
            "calibration_known": None
            if self.calibration_known is None
            else self.calibration_known.to_dict(),
            "posterior": self.posterior,
            "faults": self.faults.to_dict(),
        }

    def speed(self) -> dict[str, Any]:
        """What depends on the machine."""
        return {
            "decoder": self.decoder,
            "words": self.all.words,
            "seconds": self.seconds,
            "latency": None if self.latency is None else self.latency.to_dict(),
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """A decoder beside ours, over the same words and touches.

    top1_to_ours, top3_to_ours : its share minus ours, paired word by word, with 95 % intervals.
    """

    score: DecoderScore
    top1_to_ours: Estimate
    top3_to_ours: Estimate

    @classmethod
    def of(cls, score: DecoderScore, theirs: WordOutcomes, ours: WordOutcomes) -> Compared:
        """Pair the words of two decoders."""

        def difference(k: int) -> Estimate:
            return paired_difference(
                *(((o.rank > 0) & (o.rank <= k)).astype(np.float64) for o in (theirs, ours)),
                different=count_different(ours.origin),
            )

        return cls(score, difference(1), difference(3))

    def to_dict(self) -> dict[str, Any]:
        """Quality, as plain data."""
        whole = self.score.to_dict()
        # Too few words for that much detail.
        del whole["by_length"]
        for name in ("calibration", "calibration_known"):
            found: Calibration | None = getattr(self.score, name)
            whole[name] = None if found is None else found.to_dict(bins=False)
        return {
            **whole,
            "top1_to_ours": plain(self.top1_to_ours),
            "top3_to_ours": plain(self.top3_to_ours),
        }


@dataclass(frozen=True, slots=True)
class StaticScore:
    """A layout before any noise, over the pack's whole lexicon weighted by word probability. Exact.

    collision_rate : share of word tokens that a more probable word with the same keys beats to first place.
    shared : share with any other word on the same keys.
    kspc : keystrokes per character of dictionary-based disambiguation with perfect touches: a touch a letter, a
        press of next for each more probable word on the same keys, and the space (MacKenzie 2002).
    multi_tap_kspc : of multi-tap, with a press of a time-out key between letters of one key.
    """

    collision_rate: float
    shared: float
    kspc: float
    multi_tap_kspc: float

    def to_dict(self) -> dict[str, float]:
        """Plain data."""
        return {
            "collision_rate": rounded(self.collision_rate),
            "shared": rounded(self.shared),
            "kspc": rounded(self.kspc),
            "multi_tap_kspc": rounded(self.multi_tap_kspc),
        }


@dataclass(frozen=True, slots=True)
class LayoutScore:
    """A layout scored: `str()` is a table, `to_dict()` plain data, `save()` writes it.

    static : see `StaticScore`. score : our decoder. completion : None where it was not asked for.
    compared : other decoders on the same touches, by name. skipped : decoders that could not run here, and why.
    conditions : all that one must know to repeat the run. stages : processor seconds by stage, of this machine.
    """

    layout: str
    keys: int
    static: StaticScore
    score: DecoderScore
    completion: Completion | None
    compared: dict[str, Compared]
    skipped: dict[str, str]
    conditions: dict[str, Any]
    stages: dict[str, float] = field(default_factory=dict)

    @property
    def overhead(self) -> float:
        """Share of the time spent outside decoders: words, touches, judging."""
        total = sum(self.stages.values())
        return 1.0 - self.stages.get("decoder", 0.0) / total if total > 0 else 0.0

    def to_dict(self) -> dict[str, Any]:
        """Quality: the same on every machine for the same version, pack and seed."""
        return {
            "schema": SCHEMA,
            "version": VERSION,
            "conditions": self.conditions,
            "layout": self.layout,
            "keys": self.keys,
            "static": self.static.to_dict(),
            "score": self.score.to_dict(),
            "completion": None if self.completion is None else self.completion.to_dict(),
            "compared": {name: other.to_dict() for name, other in self.compared.items()},
            "skipped": self.skipped,
        }

    def speed(self) -> dict[str, Any]:
        """What depends on the machine."""
        return {
            "layout": self.layout,
            "stages_s": self.stages,
            "overhead": self.overhead,
            "decoders": [
                self.score.speed(),
                *(other.score.speed() for other in self.compared.values()),
            ],
        }

    def save(self, path: str | PathLike[str]) -> None:
        """Write `to_dict()` as JSON, whole or not at all."""
        with atomic_write(path) as file:
            json.dump(self.to_dict(), file, indent=1, ensure_ascii=False, allow_nan=False)
            file.write("\n")

    def __str__(self) -> str:
        from nearkey.simulate.score_table import score_table

        return score_table(self)
