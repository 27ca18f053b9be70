"""What `measures` returns: rows for each level, the summaries, and how they print."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import stdev
from types import MappingProxyType
from typing import Any, Literal, NamedTuple, Self, get_args

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, bootstrap_mean, mean_over_people
from nearkey.seeds import Seed
from nearkey.study.alignment import Alignments, ConfusionMatrix
from nearkey.study.phrase_counts import PhraseCounts, add_counts
from nearkey.study.rates import METRICS, Rates, metric_bounds
from nearkey.text_table import ResultTable, estimate_text

_LABELS = ("participant", "condition", "session", "block")

Level = Literal["phrase", "block", "participant", "condition", "overall"]


@dataclass(frozen=True, slots=True)
class PhraseMeasures(Rates):
    """One phrase; measures by `Rates`.

    `participant`, `condition`, `session`, `block`, `trial`: its labels in the log; `presented`, `transcribed`: the
    two texts as compared; `counts` and `alignments` of them.
    """

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
            **{
                name: getattr(self, name)
                for name in (*_LABELS, "trial", "presented", "transcribed")
            },
            "msd": self.alignments.distance,
            "optimal_alignments": self.alignments.count,
            **self.rates(),
            **self.counts.to_dict(),
        }


@dataclass(frozen=True, slots=True)
class GroupMeasures(Rates):
    """The pooled phrases of one participant, or of one of their blocks.

    `condition`, `session`, `block` are None where they do not apply; `counts` are the sums. `wpm` is pooled
    (ratio of sums); `wpm_phrase_mean` and `wpm_phrase_sd` are the mean and standard deviation (n - 1) of the
    phrases' own speeds.
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
            **{name: getattr(self, name) for name in _LABELS},
            **self.rates(),
            "wpm_phrase_mean": self.wpm_phrase_mean,
            "wpm_phrase_sd": self.wpm_phrase_sd,
            **self.counts.to_dict(),
        }


IntervalKind = Literal["t", "bootstrap"]
INTERVAL_NAMES: Mapping[str, str] = {
    "t": "Student's t",
    "bootstrap": "percentile bootstrap, too narrow for few people",
}


def check_interval(kind: str) -> None:
    """Refuse a `kind` of interval that is none: StudyLogError naming those there are."""
    if kind not in INTERVAL_NAMES:
        raise StudyLogError(
            f"is {kind!r}", field="interval", fix=f"use one of {', '.join(INTERVAL_NAMES)}"
        )


def over_people(
    values: Sequence[float],
    *,
    confidence: float = 0.95,
    interval: IntervalKind = "t",
    resamples: int = 2000,
    seed: Seed = 0,
    bounds: tuple[float, float] = (-math.inf, math.inf),
) -> Estimate:
    """Mean of `values`, one a person, with the interval of a study: see `measures`; cut to the `bounds`."""
    if interval == "t":
        found = mean_over_people(values, confidence=confidence)
    else:
        found = bootstrap_mean(values, confidence=confidence, resamples=resamples, seed=seed)
    return found.within(*bounds)


class MeanOfParticipants(NamedTuple):
    """Mean over participants with its interval, their standard deviation, and how many had a value."""

    mean: float
    low: float
    high: float
    sd: float
    n: int

    @classmethod
    def of(cls, values: Sequence[float], **options: Any) -> Self:
        """From `values`, one a participant; NaN stands for none. `options` as of `over_people`."""
        given = [value for value in values if not math.isnan(value)]
        found = over_people(given, **options)
        return cls(*found, sample_sd(given), len(given))

    def __str__(self) -> str:
        return estimate_text(Estimate(*self[:3]))


@dataclass(frozen=True, slots=True)
class ConditionMeasures:
    """One condition (None: all of them) over its participants.

    `estimates`: measure -> mean over participants; `counts` are the pooled ones.
    """

    condition: str | None
    participants: int
    estimates: Mapping[str, MeanOfParticipants]
    counts: PhraseCounts

    @classmethod
    def of(cls, condition: str | None, groups: Iterable[GroupMeasures], **options: Any) -> Self:
        """From the `groups`, one a participant, of this condition (None: of all); `options` as of `over_people`."""
        people = [group for group in groups if condition in (None, group.condition)]
        estimates = {
            name: MeanOfParticipants.of(
                [getattr(group, name) for group in people], bounds=metric_bounds(name), **options
            )
            for name in METRICS
        }
        counts = add_counts([group.counts for group in people])
        return cls(condition, len(people), MappingProxyType(estimates), counts)

    def to_dict(self) -> dict[str, Any]:
        """`condition`, `participants`, and for each measure its mean, low, high, sd and n."""
        row: dict[str, Any] = {"condition": self.condition, "participants": self.participants}
        for name, one in self.estimates.items():
            row[name] = one.mean
            row |= {f"{name}_{part}": getattr(one, part) for part in ("low", "high", "sd", "n")}
        return row | self.counts.to_dict()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A trial that was not measured, by its labels, and the `reason`."""

    participant: str
    condition: str
    session: int
    block: int
    trial: int
    reason: str


@dataclass(frozen=True, slots=True, repr=False)
class Measures(Tabular):
    """Measures of study logs: `phrases`, `blocks`, `participants`, `conditions`, `overall`.

    `selection`, `confidence`, `interval` and `ignored` (what texts were compared without: "case", "punctuation") are
    the options they were made with. `left_out` lists the trials that were not
    measured; `origins` says whether the logs come from
    participants, a simulation, or are invented. `str()` gives the table of conditions.
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
    interval: IntervalKind = "t"
    ignored: tuple[str, ...] = ()

    @property
    def condition_names(self) -> list[str]:
        """The conditions, sorted."""
        return [str(one.condition) for one in self.conditions]

    def by_participant(self, metric: str) -> dict[str, dict[str, float]]:
        """Participant -> condition -> the value of a metric, which may be NaN."""
        found: dict[str, dict[str, float]] = {}
        for group in self.participants:
            of = found.setdefault(group.participant, {})
            of[str(group.condition)] = float(getattr(group, metric))
        return found

    def complete(self, metric: str) -> dict[str, dict[str, float]]:
        """As `by_participant`, of those who have a value of the metric in every condition."""
        return {
            participant: row
            for participant, row in self.by_participant(metric).items()
            if all(math.isfinite(row.get(name, math.nan)) for name in self.condition_names)
        }

    def by_block(self, metric: str) -> dict[str, dict[str, list[float]]]:
        """Condition -> participant -> the values of a metric, block after block over all sessions."""
        found: dict[str, dict[str, list[float]]] = {name: {} for name in self.condition_names}
        for block in self.blocks:  # sorted by session, then block
            of = found[str(block.condition)].setdefault(block.participant, [])
            of.append(float(getattr(block, metric)))
        return found

    def confusion(
        self, *, participant: str | None = None, condition: str | None = None
    ) -> ConfusionMatrix:
        """The confusion matrix over all optimal alignments of a participant's phrases, a condition's, or all."""
        return ConfusionMatrix.of(
            phrase.alignments
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
        return {
            "origins": list(self.origins),
            "selection": self.selection,
            "confidence": self.confidence,
            "interval": self.interval,
            "ignored": list(self.ignored),
            "left_out": len(self.left_out),
            **{level: self.to_dicts(level) for level in get_args(Level)},
        }

    @property
    def reasons(self) -> str:
        """Why trials were left out, and how many for each reason; "" for none."""
        tally = Counter(one.reason for one in self.left_out)
        return ", ".join(f"{n} {reason}" for reason, n in sorted(tally.items()))

    def table(self) -> ResultTable:
        """A row for each measure, a column for each condition, as they are printed."""
        shown = self.conditions
        return ResultTable(
            ["measure", *self.condition_names],
            [
                *([name, *(one.estimates[name] for one in shown)] for name in METRICS),
                ["participants", *(one.participants for one in shown)],
                ["phrases", *(one.counts.phrases for one in shown)],
            ],
        )

    def notes(self) -> list[str]:
        """What stands below the table: what the brackets are, what was ignored and left out."""
        lines = []
        if any(one.participants > 1 for one in self.conditions):
            share = f"{100 * self.confidence:g} %"
            name = INTERVAL_NAMES[self.interval]
            lines.append(f"[..]: {share} interval of the mean over participants ({name})")
        if self.ignored:
            lines.append(f"texts compared without {' and '.join(self.ignored)}")
        if self.left_out:
            lines.append(f"left out: {self.reasons}")
        return lines

    def __str__(self) -> str:
        return result_text("", self.table(), self.notes(), self.origins)


def sample_sd(values: Sequence[float]) -> float:
    """Standard deviation with n - 1; NaN for fewer than two values, and where one is not finite."""
    finite = all(map(math.isfinite, values))  # the library's function breaks on an infinite one
    return stdev(values) if finite and len(values) > 1 else math.nan


def result_text(
    title: str, table: ResultTable, notes: Iterable[str], origins: Sequence[str]
) -> str:
    """A result for a terminal: its `title`, its `table`, `notes`, and the `origins` of logs not typed by people."""
    lines = [*([title] if title else []), str(table), *notes]
    if tuple(origins) not in ((), ("person",)):
        lines.append(f"origin of the logs: {', '.join(origins)}")
    return "\n".join(lines)
