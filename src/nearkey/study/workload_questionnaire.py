"""The NASA Task Load Index: six scales of workload, raw and weighted, and a log of answers.

Source: Hart & Staveland, "Development of NASA-TLX", in Human Mental Workload, 1988; the instrument is a work of the
government of the United States and in the public domain. Raw scores (without weights): Hart, "NASA-Task Load Index;
20 years later", 2006. The scales' names and questions are the instrument's, written from memory.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Annotated, Any, Literal, NamedTuple

import msgspec

from nearkey.append_log import AppendLog, log_lines, read_log
from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, mean_over_people
from nearkey.schema import convert, decode
from nearkey.study.study_records import Name
from nearkey.text_table import ResultTable, estimate_text


class WorkloadScale(NamedTuple):
    """A scale: its name in data, its title and question for the person, and what its ends, 0 and 100, say."""

    name: str
    title: str
    question: str
    low: str = "very low"
    high: str = "very high"


WORKLOAD_SCALES = (
    WorkloadScale("mental", "Mental demand", "How mentally demanding was the task?"),
    WorkloadScale("physical", "Physical demand", "How physically demanding was the task?"),
    WorkloadScale("temporal", "Temporal demand", "How hurried or rushed was the pace of the task?"),
    WorkloadScale(
        "performance",
        "Performance",
        "How successful were you in accomplishing what you were asked to do?",
        "perfect",
        "failure",
    ),
    WorkloadScale(
        "effort", "Effort", "How hard did you have to work to accomplish your level of performance?"
    ),
    WorkloadScale(
        "frustration",
        "Frustration",
        "How insecure, discouraged, irritated, stressed, and annoyed were you?",
    ),
)

WORKLOAD_PAIRS = tuple(combinations((scale.name for scale in WORKLOAD_SCALES), 2))
"""The 15 pairs of scales of which a person says which mattered more; how often a scale was chosen is its weight."""

Rating = Annotated[float, msgspec.Meta(ge=0, le=100)]
Chosen = Annotated[int, msgspec.Meta(ge=0, le=5)]


class WorkloadAnswer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One person's answer about one condition: six ratings from 0 to 100, and weights where pairs were asked.

    `weights`: scale -> how often it was chosen of the 15 pairs (0 to 5 each, 15 in all); None where pairs were not
    asked. `session`: the participant's sitting, from 1.
    """

    participant: Name
    condition: Name
    mental: Rating
    physical: Rating
    temporal: Rating
    performance: Rating
    effort: Rating
    frustration: Rating
    weights: dict[str, Chosen] | None = None
    session: Annotated[int, msgspec.Meta(ge=1)] = 1
    format: Literal["nearkey-workload-1"] = "nearkey-workload-1"

    @property
    def ratings(self) -> dict[str, float]:
        """Scale -> rating."""
        return {scale.name: float(getattr(self, scale.name)) for scale in WORKLOAD_SCALES}

    @property
    def raw(self) -> float:
        """The raw score: mean of the six ratings."""
        return sum(self.ratings.values()) / len(WORKLOAD_SCALES)

    @property
    def weighted(self) -> float:
        """The weighted score: sum of rating x weight / 15; NaN without weights."""
        if self.weights is None:
            return float("nan")
        total = sum(self.weights.get(name, 0) * value for name, value in self.ratings.items())
        return total / len(WORKLOAD_PAIRS)


def workload_answer(
    fields: Mapping[str, Any], *, chosen: Iterable[str] | None = None, where: str | None = None
) -> WorkloadAnswer:
    """Make and check an answer.

    Parameters
    ----------
    fields : those of `WorkloadAnswer`. chosen : the scale chosen of each of `WORKLOAD_PAIRS`, in their order; the
        weights are counted from it. where : names the place in errors.

    Raises StudyLogError naming the field at fault.
    """
    given = dict(fields)
    if chosen is not None:
        picks = list(chosen)
        if len(picks) != len(WORKLOAD_PAIRS) or any(
            pick not in pair for pick, pair in zip(picks, WORKLOAD_PAIRS, strict=False)
        ):
            raise StudyLogError(
                "does not choose one scale of each pair",
                where=where,
                field="chosen",
                fix="give 15 names, one of each of WORKLOAD_PAIRS",
            )
        given["weights"] = {scale.name: picks.count(scale.name) for scale in WORKLOAD_SCALES}
    return _checked(convert(given, WorkloadAnswer, error=StudyLogError, where=where), where)


def _checked(answer: WorkloadAnswer, where: str | None) -> WorkloadAnswer:
    weights = answer.weights
    if weights is not None:
        unknown = sorted(set(weights) - set(answer.ratings))
        if unknown:
            raise StudyLogError(
                f"names {unknown[0]!r}", where=where, field="weights", fix="name the six scales"
            )
        if sum(weights.values()) != len(WORKLOAD_PAIRS):
            raise StudyLogError(
                f"sum to {sum(weights.values())}",
                where=where,
                field="weights",
                fix="count 15 choices, one of each pair",
            )
    return answer


def add_workload_answer(path: str | os.PathLike[str], answer: WorkloadAnswer) -> None:
    """Append an `answer` to the log at `path`, made with its owner's rights only where it is not there yet.

    A last line that a crash cut short is cut off first.
    """
    with AppendLog(path, error=StudyLogError, new=None) as log:
        lines = list(log_lines(log.read()))
        if lines:
            last = lines[-1]
            log.resume(last.end if last.whole else last.offset, ended=last.ended or not last.whole)
        log.append(msgspec.json.encode(answer))


def read_workload_answers(
    path: str | os.PathLike[str], *more: str | os.PathLike[str]
) -> tuple[WorkloadAnswer, ...]:
    """Read a log of answers at `path`, and `more` of them; a last line cut short by a crash is left out.

    Raises StudyLogError naming file, line and field for anything else that is wrong, two answers of one participant
    about one condition in one session among it.
    """
    out: dict[tuple[str, str, int], WorkloadAnswer] = {}
    for one in (path, *more):
        lines = [line for line in log_lines(read_log(one, StudyLogError)) if line.data.strip()]
        if lines and not lines[-1].whole:
            lines.pop()
        for line in lines:
            where = f"{os.fspath(one)}, line {line.number}"
            answer = _checked(decode(line.data, _ANSWER, error=StudyLogError, where=where), where)
            key = (answer.participant, answer.condition, answer.session)
            if key in out:
                raise StudyLogError(
                    f"{answer.participant} answers twice about {answer.condition}",
                    where=where,
                    field="participant",
                    fix="keep one of the lines",
                )
            out[key] = answer
    return tuple(out.values())


_ANSWER: msgspec.json.Decoder[WorkloadAnswer] = msgspec.json.Decoder(WorkloadAnswer)


@dataclass(frozen=True, slots=True, repr=False)
class WorkloadSummary(Tabular):
    """Means over participants, with t intervals: condition -> scale, "raw" and "weighted" -> estimate."""

    conditions: dict[str, dict[str, Estimate]]

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each condition and scale."""
        return [
            {"condition": condition, "scale": name, **estimate._asdict()}
            for condition, scales in self.conditions.items()
            for name, estimate in scales.items()
        ]

    def table(self) -> ResultTable:
        """A row for each scale and score, a column for each condition, as they are printed."""
        names = (*(scale.name for scale in WORKLOAD_SCALES), "raw", "weighted")
        return ResultTable(
            ("workload, 0 to 100", *self.conditions),
            [
                (name, *(estimate_text(scales[name], 1) for scales in self.conditions.values()))
                for name in names
            ],
        )

    def __str__(self) -> str:
        return f"{self.table()}\n[..]: 95 % interval of the mean over participants (Student's t)"


def workload_summary(
    answers: Iterable[WorkloadAnswer], *, confidence: float = 0.95
) -> WorkloadSummary:
    """Means over participants of each scale and score, by condition.

    answers : any number; a participant's sessions are averaged first. confidence : of the intervals.

    The weighted score is of those who have weights. Raises NearkeyError for another confidence.
    """
    people: dict[str, dict[str, list[WorkloadAnswer]]] = {}
    for one in answers:
        people.setdefault(one.condition, {}).setdefault(one.participant, []).append(one)
    names = (*(scale.name for scale in WORKLOAD_SCALES), "raw", "weighted")

    def of(condition: str, name: str) -> Estimate:
        means = []
        for given in people[condition].values():
            values = [value for one in given if (value := float(getattr(one, name))) == value]
            if values:
                means.append(sum(values) / len(values))
        return mean_over_people(means, confidence=confidence).within(0.0, 100.0)

    return WorkloadSummary(
        {condition: {name: of(condition, name) for name in names} for condition in sorted(people)}
    )
