"""One row a phrase, as the models of a study need them: person, condition, block, place in the order, phrase, value."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import StudyLogError
from nearkey.study.rates import check_metric
from nearkey.study.results import Measures
from nearkey.study.study_log import StudyLog
from nearkey.study.study_plan import StudyPlan

ConditionOrders = Mapping[str, tuple[str, ...]]
"""Participant -> conditions in the order typed."""


@dataclass(frozen=True, slots=True)
class Observations:
    """Values of one `metric`, one a phrase, and what stands beside each; all (n,) arrays.

    `participant`, `condition`, `phrase`: index into `participants`, `conditions`, `phrases`. `block`: number of the
    block among the person's of this condition, from 1. `place`: the condition's place in the person's order, from 1;
    None where it is not known for everyone. `value`: the metric.
    """

    metric: str
    participants: tuple[str, ...]
    conditions: tuple[str, ...]
    phrases: tuple[str, ...]
    participant: NDArray[np.intp]
    condition: NDArray[np.intp]
    block: NDArray[np.intp]
    place: NDArray[np.intp] | None
    phrase: NDArray[np.intp]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.value)


def condition_orders(
    logs: Iterable[StudyLog] = (), *, plan: StudyPlan | None = None
) -> dict[str, tuple[str, ...]]:
    """In which order each participant typed the conditions.

    plan : where given, its orders hold. logs : else their headers say it: by `started`, or by `session` where no log of
    a participant has that. A participant whose headers leave the order open is left out.
    """
    if plan is not None:
        return {
            name: tuple(dict.fromkeys(block.condition for block in plan.of(name)))
            for name in dict.fromkeys(block.participant for block in plan.blocks)
        }
    first: dict[str, dict[str, list[tuple[str, int]]]] = {}
    for log in logs:
        header = log.header
        of_person = first.setdefault(header.participant, {})
        of_person.setdefault(header.condition, []).append((header.started or "", header.session))
    out: dict[str, tuple[str, ...]] = {}
    for person, times in first.items():
        starts = {condition: min(marks) for condition, marks in times.items()}
        if len(set(starts.values())) == len(starts):
            out[person] = tuple(sorted(starts, key=starts.__getitem__))
    return out


def place_in(orders: ConditionOrders | None, participant: str, condition: str) -> int | None:
    """A `condition`'s place in the order of a `participant`, from 1; None where it is not known."""
    order = (orders or {}).get(participant, ())
    return order.index(condition) + 1 if condition in order else None


def observations(
    measured: Measures, metric: str = "wpm", *, orders: ConditionOrders | None = None
) -> Observations:
    """One row for every phrase of a study that has a value of this metric.

    Parameters
    ----------
    measured : what `measures` returned. metric : one of `METRICS`. orders : see `condition_orders`.

    Raises StudyLogError for an unknown metric, or where no phrase has a value.
    """
    check_metric(metric)
    number: dict[tuple[str, str, int, int], int] = {}
    counted: dict[tuple[str, str], int] = {}
    for block in measured.blocks:  # sorted by session, then block
        own = (block.participant, str(block.condition))
        counted[own] = counted.get(own, 0) + 1
        number[(*own, int(block.session or 0), int(block.block or 0))] = counted[own]
    rows = [
        (one, value)
        for one in measured.phrases
        if math.isfinite(value := float(getattr(one, metric)))
    ]
    if not rows:
        raise StudyLogError(
            f"no phrase has a value of {metric}", field="logs", fix="measure another metric"
        )
    labels = [(one.participant, one.condition, one.presented) for one, _ in rows]
    (participants, participant), (conditions, condition), (phrases, phrase) = (
        np.unique(column, return_inverse=True) for column in zip(*labels, strict=True)
    )
    places = [place_in(orders, one.participant, one.condition) for one, _ in rows]
    return Observations(
        metric=metric,
        participants=tuple(participants.tolist()),
        conditions=tuple(conditions.tolist()),
        phrases=tuple(phrases.tolist()),
        participant=participant,
        condition=condition,
        block=np.array(
            [number[one.participant, one.condition, one.session, one.block] for one, _ in rows],
            dtype=np.intp,
        ),
        place=None if None in places else np.array(places, dtype=np.intp),
        phrase=phrase,
        value=np.array([value for _, value in rows]),
    )
