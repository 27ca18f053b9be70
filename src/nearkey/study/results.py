"""What `measures` returns: rows for each level, the summaries, and how they print."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from nearkey.errors import StudyLogError
from nearkey.study.alignment import Alignments
from nearkey.study.bootstrap import bootstrap_mean
from nearkey.study.confusion import ConfusionMatrix
from nearkey.study.phrase_counts import PhraseCounts, add_counts
from nearkey.study.rates import METRICS, Rates
from nearkey.study.tables import number, origin_line, plain_table

__all__ = [
    "ConditionMeasures",
    "Estimate",
    "GroupMeasures",
    "LeftOut",
    "Measures",
    "PhraseMeasures",
    "summarise",
]

Level = Literal["phrase", "block", "participant", "condition", "overall"]


def _counts_dict(counts: PhraseCounts) -> dict[str, Any]:
    return {
        "phrases": counts.phrases,
        "presented_chars": counts.presented,
        "transcribed_chars": counts.transcribed,
        "seconds": counts.seconds,
        "keystrokes": counts.keystrokes,
        "taps": counts.taps,
        "correct": counts.correct,
        "incorrect_not_fixed": counts.incorrect_not_fixed,
        "incorrect_fixed": counts.incorrect_fixed,
        "fixes": counts.fixes,
        "respelled_by_decoder": counts.respelled_by_decoder,
        "respelled_by_selection": counts.respelled_by_selection,
        "ranks": {str(rank): n for rank, n in counts.ranks.items()},
    }


@dataclass(frozen=True, slots=True)
class PhraseMeasures(Rates):
    """One phrase: labels, the two texts as compared, counts, alignments; measures by `Rates`."""

    participant: str
    condition: str
    session: int
    block: int
    trial: int
    presented: str
    transcribed: str
    counts: PhraseCounts
    alignments: Alignments

    def to_dict(self) -> dict[str, Any]:
        """Labels, texts, measures and counts, flat."""
        return {
            "participant": self.participant,
            "condition": self.condition,
            "session": self.session,
            "block": self.block,
            "trial": self.trial,
            "presented": self.presented,
            "transcribed": self.transcribed,
            "msd": self.alignments.distance,
            "optimal_alignments": self.alignments.count,
            **self.rates(),
            **_counts_dict(self.counts),
        }


@dataclass(frozen=True, slots=True)
class GroupMeasures(Rates):
    """The pooled phrases of one participant, or of one of their blocks.

    Labels that do not apply are None. `wpm` is pooled (ratio of sums); `wpm_phrase_mean` and
    `wpm_phrase_sd` are the mean and standard deviation (n - 1) of the phrases' own speeds.
    """

    participant: str
    counts: PhraseCounts
    wpm_phrase_mean: float
    wpm_phrase_sd: float
    condition: str | None = None
    session: int | None = None
    block: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Labels, measures and counts, flat."""
        return {
            "participant": self.participant,
            "condition": self.condition,
            "session": self.session,
            "block": self.block,
            **self.rates(),
            "wpm_phrase_mean": self.wpm_phrase_mean,
            "wpm_phrase_sd": self.wpm_phrase_sd,
            **_counts_dict(self.counts),
        }


@dataclass(frozen=True, slots=True)
class Estimate:
    """Mean over participants, its bootstrap interval, standard deviation, and how many had one."""

    mean: float
    low: float
    high: float
    sd: float
    n: int

    def __str__(self) -> str:
        if math.isnan(self.low):
            return number(self.mean)
        return f"{number(self.mean)} [{number(self.low)}, {number(self.high)}]"


@dataclass(frozen=True, slots=True)
class ConditionMeasures:
    """One condition (None: all of them) over its participants; `counts` are the pooled ones."""

    condition: str | None
    participants: int
    estimates: Mapping[str, Estimate]
    counts: PhraseCounts

    def to_dict(self) -> dict[str, Any]:
        """`condition`, `participants`, and for each measure its mean, low, high, sd and n."""
        row: dict[str, Any] = {"condition": self.condition, "participants": self.participants}
        for name, one in self.estimates.items():
            row |= {
                name: one.mean,
                f"{name}_low": one.low,
                f"{name}_high": one.high,
                f"{name}_sd": one.sd,
                f"{name}_n": one.n,
            }
        return row | _counts_dict(self.counts)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A trial that was not measured, and why."""

    participant: str
    condition: str
    session: int
    block: int
    trial: int
    reason: str


def summarise(
    condition: str | None,
    groups: list[GroupMeasures],
    *,
    confidence: float,
    resamples: int,
    seed: int,
) -> ConditionMeasures:
    """Mean over participants of each measure, leaving out those for whom it is not defined."""
    estimates = {}
    for name in METRICS:
        values = [value for group in groups if not math.isnan(value := getattr(group, name))]
        n = len(values)
        mean = sum(values) / n if n else math.nan
        spread = (
            math.sqrt(sum((value - mean) ** 2 for value in values) / (n - 1)) if n > 1 else math.nan
        )
        low, high = bootstrap_mean(values, confidence=confidence, resamples=resamples, seed=seed)
        estimates[name] = Estimate(mean, low, high, spread, n)
    return ConditionMeasures(
        condition,
        len(groups),
        MappingProxyType(estimates),
        add_counts([group.counts for group in groups]),
    )


@dataclass(frozen=True, slots=True)
class Measures:
    """Measures of study logs: `phrases`, `blocks`, `participants`, `conditions`, `overall`.

    `left_out` lists the trials that were not measured; `origins` says whether the logs come from
    persons, a simulation, or are invented. `str()` gives the table of conditions.
    Phrase rows hold what people typed: keep them as private as the logs.
    """

    phrases: tuple[PhraseMeasures, ...]
    blocks: tuple[GroupMeasures, ...]
    participants: tuple[GroupMeasures, ...]
    conditions: tuple[ConditionMeasures, ...]
    overall: ConditionMeasures
    left_out: tuple[LeftOut, ...]
    origins: tuple[str, ...]
    selection: str
    confidence: float

    def confusion(
        self, *, participant: str | None = None, condition: str | None = None
    ) -> ConfusionMatrix:
        """The confusion matrix over all optimal alignments of the phrases asked for."""
        return ConfusionMatrix.of(
            phrase.alignments for phrase in self._chosen(participant, condition)
        )

    def _chosen(self, participant: str | None, condition: str | None) -> Iterable[PhraseMeasures]:
        return (
            phrase
            for phrase in self.phrases
            if participant in (None, phrase.participant) and condition in (None, phrase.condition)
        )

    def to_dicts(self, level: Level = "participant") -> list[dict[str, Any]]:
        """Rows of one level: "phrase", "block", "participant", "condition" or "overall"."""
        rows: Mapping[str, Iterable[Any]] = {
            "phrase": self.phrases,
            "block": self.blocks,
            "participant": self.participants,
            "condition": self.conditions,
            "overall": (self.overall,),
        }
        if level not in rows:
            raise StudyLogError(f"is {level!r}", field="level", fix=f"use one of {', '.join(rows)}")
        return [row.to_dict() for row in rows[level]]

    def to_dict(self) -> dict[str, Any]:
        """Everything, one list of rows per level."""
        levels: tuple[Level, ...] = ("phrase", "block", "participant", "condition", "overall")
        return {
            "origins": list(self.origins),
            "selection": self.selection,
            "confidence": self.confidence,
            "left_out": len(self.left_out),
            **{level: self.to_dicts(level) for level in levels},
        }

    def __str__(self) -> str:
        shown = self.conditions
        heads = ["measure", *(str(one.condition) for one in shown)]
        rows = [[name, *(str(one.estimates[name]) for one in shown)] for name in METRICS]
        rows.append(["participants", *(str(one.participants) for one in shown)])
        rows.append(["phrases", *(str(one.counts.phrases) for one in shown)])
        lines = [plain_table(heads, rows)]
        if any(one.participants > 1 for one in shown):
            share = f"{100 * self.confidence:g} %"
            lines.append(f"[..]: {share} bootstrap interval of the mean over participants")
        if self.left_out:
            lines.append(f"left out: {_reasons(self.left_out)}")
        lines += origin_line(self.origins)
        return "\n".join(lines)


def _reasons(left_out: tuple[LeftOut, ...]) -> str:
    tally: dict[str, int] = {}
    for one in left_out:
        tally[one.reason] = tally.get(one.reason, 0) + 1
    return ", ".join(f"{n} {reason}" for reason, n in sorted(tally.items()))
