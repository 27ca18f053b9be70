"""Learning curves: the power law of practice, fitted with its interval and its caution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nearkey.errors import StudyLogError
from nearkey.study.bootstrap import bootstrap_mean
from nearkey.study.rates import METRICS
from nearkey.study.results import GroupMeasures, Measures
from nearkey.study.stats_extra import scipy_stats
from nearkey.study.tables import number, origin_line, plain_table

__all__ = ["LearningCurve", "PersonCurve", "PowerLaw", "fit_power_law", "learning_curve"]


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """R_N = a · N^x: `a` the rate of the first block, `x` the exponent, each with its interval.

    `r_squared`: share of the variance of log R that the line explains. `points`: how many (N, R)
    were fitted. An interval from two points does not exist (nan).
    """

    a: float
    a_low: float
    a_high: float
    x: float
    x_low: float
    x_high: float
    r_squared: float
    points: int

    def rate(self, block: float) -> float:
        """The fitted rate of block N. Past the last block measured this is extrapolation."""
        return self.a * math.pow(block, self.x)

    def __str__(self) -> str:
        return (
            f"R = {number(self.a)} N^{number(self.x, 3)}"
            f" (a [{number(self.a_low)}, {number(self.a_high)}],"
            f" x [{number(self.x_low, 3)}, {number(self.x_high, 3)}],"
            f" R² {number(self.r_squared, 3)}, {self.points} points)"
        )


@dataclass(frozen=True, slots=True)
class PersonCurve:
    """One participant's rate per block (N = 1, 2, … in the order typed) and the law fitted to it.

    `fit` is None where fewer than two blocks have a positive rate.
    """

    participant: str
    blocks: tuple[int, ...]
    rates: tuple[float, ...]
    fit: PowerLaw | None


@dataclass(frozen=True, slots=True)
class LearningCurve:
    """The learning of one condition: per person, and averaged.

    `x_mean`, `x_low`, `x_high`: mean of the persons' exponents with its bootstrap interval over
    persons. `averaged`: the law fitted to the rates averaged over persons, for comparison only:
    averages of curves that are no power laws can look like one (Heathcote, Brown & Mewhort, "The
    power law repealed", 2000), so judge by the persons.
    """

    condition: str
    metric: str
    persons: tuple[PersonCurve, ...]
    mean_rates: tuple[float, ...]
    averaged: PowerLaw | None
    x_mean: float
    x_low: float
    x_high: float
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per participant and block: participant, n, rate, fitted."""
        return [
            {
                "condition": self.condition,
                "participant": person.participant,
                "n": n,
                self.metric: rate,
                "fitted": person.fit.rate(n) if person.fit else math.nan,
            }
            for person in self.persons
            for n, rate in zip(person.blocks, person.rates, strict=True)
        ]

    def __str__(self) -> str:
        rows = [
            (
                person.participant,
                *(number(value) for value in (person.rates[0], person.rates[-1])),
                number(person.fit.x if person.fit else None, 3),
                number(person.fit.r_squared if person.fit else None, 3),
            )
            for person in self.persons
        ]
        heads = ("participant", "first block", "last block", "exponent", "R²")
        return "\n".join(
            (
                f"{self.metric} of {self.condition} by block",
                plain_table(heads, rows),
                f"mean exponent {number(self.x_mean, 3)}"
                f" [{number(self.x_low, 3)}, {number(self.x_high, 3)}] over persons",
                f"averaged over persons: {self.averaged or 'not fitted'}",
                "caution: an averaged curve can follow a power law that no person follows",
                *origin_line(self.origins),
            )
        )


def fit_power_law(
    blocks: Sequence[float], rates: Sequence[float], *, confidence: float = 0.95
) -> PowerLaw:
    """Fit R_N = a · N^x by least squares of log R on log N.

    `blocks`: N, positive and not all the same; `rates`: positive; both (n,) with n ≥ 2. The
    intervals are those of linear regression (Student's t with n - 2 degrees of freedom); they take
    the blocks for independent, which a person's blocks hardly are, so read them as a lower bound.
    Raises StudyLogError for unusable numbers, NearkeyError where scipy (extra `stats`) is missing.
    Source: Newell & Rosenbloom 1981; for entry rates Isokoski & MacKenzie, CHI 2003 EA, 752-753.
    """
    n = np.asarray(blocks, dtype=np.float64)
    r = np.asarray(rates, dtype=np.float64)
    if n.shape != r.shape or n.ndim != 1 or len(n) < 2:
        raise StudyLogError(
            f"shapes {n.shape} and {r.shape}", field="rates", fix="give as many rates as blocks, 2+"
        )
    if not (np.isfinite(n).all() and np.isfinite(r).all() and (n > 0).all() and (r > 0).all()):
        raise StudyLogError("holds a number that is not positive", field="rates", fix="drop it")
    if len(np.unique(n)) < 2:
        raise StudyLogError("are all the same", field="blocks", fix="measure at least two blocks")
    stats = scipy_stats()
    log_n, log_r = np.log(n), np.log(r)
    line = stats.linregress(log_n, log_r)
    if len(n) > 2:
        t = float(stats.t.ppf(0.5 + confidence / 2.0, len(n) - 2))
        x_half, a_half = t * float(line.stderr), t * float(line.intercept_stderr)
    else:
        x_half = a_half = math.nan
    x, log_a = float(line.slope), float(line.intercept)
    residual = log_r - (log_a + x * log_n)
    total = float(((log_r - log_r.mean()) ** 2).sum())
    return PowerLaw(
        a=math.exp(log_a),
        a_low=math.exp(log_a - a_half),
        a_high=math.exp(log_a + a_half),
        x=x,
        x_low=x - x_half,
        x_high=x + x_half,
        r_squared=1.0 - float((residual**2).sum()) / total if total > 0 else math.nan,
        points=len(n),
    )


def learning_curve(
    measured: Measures,
    *,
    metric: str = "wpm",
    condition: str | None = None,
    confidence: float = 0.95,
    resamples: int = 2000,
    seed: int = 0,
) -> LearningCurve:
    """Fit each participant's blocks of one condition, and the average over participants.

    N counts the blocks a participant typed in this condition, over sessions, from 1. `condition`
    may be left out where there is only one. The averaged fit uses the blocks all participants have.
    Raises StudyLogError for an unknown metric or condition, or no blocks; NearkeyError where scipy
    is missing.
    """
    if metric not in METRICS:
        raise StudyLogError(
            f"is {metric!r}", field="metric", fix=f"use one of {', '.join(METRICS)}"
        )
    chosen = _only_condition(measured, condition)
    by_person: dict[str, list[GroupMeasures]] = {}
    for block in measured.blocks:
        if block.condition == chosen:
            by_person.setdefault(block.participant, []).append(block)
    persons = []
    for name, blocks in sorted(by_person.items()):
        # `Measures.blocks` is sorted by session, then block.
        rates = tuple(float(getattr(block, metric)) for block in blocks)
        persons.append(_person(name, rates, confidence))
    shortest = min(len(person.rates) for person in persons)
    mean_rates = tuple(
        sum(person.rates[i] for person in persons) / len(persons) for i in range(shortest)
    )
    exponents = [person.fit.x for person in persons if person.fit]
    low, high = bootstrap_mean(exponents, confidence=confidence, resamples=resamples, seed=seed)
    return LearningCurve(
        condition=chosen,
        metric=metric,
        persons=tuple(persons),
        mean_rates=mean_rates,
        averaged=_fit(mean_rates, confidence),
        x_mean=sum(exponents) / len(exponents) if exponents else math.nan,
        x_low=low,
        x_high=high,
        origins=measured.origins,
    )


def _only_condition(measured: Measures, condition: str | None) -> str:
    names = [str(one.condition) for one in measured.conditions]
    if condition is None and len(names) == 1:
        return names[0]
    if condition not in names:
        raise StudyLogError(
            "no blocks" if not names else f"is {condition!r}",
            field="condition",
            fix=f"use one of {', '.join(names)}" if names else "measure a log with finished trials",
        )
    return condition


def _person(name: str, rates: tuple[float, ...], confidence: float) -> PersonCurve:
    return PersonCurve(name, tuple(range(1, len(rates) + 1)), rates, _fit(rates, confidence))


def _fit(rates: tuple[float, ...], confidence: float) -> PowerLaw | None:
    """The law through the blocks with a positive rate; None where there are fewer than two."""
    usable = [(n, rate) for n, rate in enumerate(rates, start=1) if rate > 0]
    if len(usable) < 2:
        return None
    blocks, held = zip(*usable, strict=True)
    return fit_power_law(blocks, held, confidence=confidence)
