"""Learning curves: the power law of practice, fitted with its interval and its caution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, student_t
from nearkey.seeds import Seed
from nearkey.study.rates import check_metric
from nearkey.study.results import (
    IntervalKind,
    Measures,
    check_interval,
    over_people,
    result_text,
)
from nearkey.text_table import ResultTable, estimate_text, interval_text, number


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """R_N = a · N^x: `a` the rate of the first block, `x` the exponent, each with its interval
    (`a_low` to `a_high`, `x_low` to `x_high`).

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
            f" (a {interval_text(Estimate(self.a, self.a_low, self.a_high), 2)},"
            f" x {interval_text(Estimate(self.x, self.x_low, self.x_high), 3)},"
            f" R² {number(self.r_squared, 3)}, {self.points} points)"
        )


@dataclass(frozen=True, slots=True)
class ParticipantCurve:
    """One participant's `rates`, one for each of `blocks` (N = 1, 2, … in the order typed), and the law fitted.

    `fit` is None where fewer than two blocks have a positive rate.
    """

    participant: str
    blocks: tuple[int, ...]
    rates: tuple[float, ...]
    fit: PowerLaw | None


@dataclass(frozen=True, slots=True, repr=False)
class LearningCurve(Tabular):
    """The learning of one condition in one `metric`: per person, and averaged.

    `x_mean`, `x_low`, `x_high`: mean of the participants' exponents with its interval over participants. `origins`:
    where the logs come from. `mean_rates`: averages over participants of the blocks that all typed. `averaged`: the law
    fitted to these, for comparison only: averages of curves that are no power laws can look like one
    (Heathcote, Brown & Mewhort, "The power law repealed", 2000), so judge by the participants.
    """

    condition: str
    metric: str
    participants: tuple[ParticipantCurve, ...]
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
            for person in self.participants
            for n, rate in zip(person.blocks, person.rates, strict=True)
        ]

    def __str__(self) -> str:
        table = ResultTable(
            ("participant", "first block", "last block", "exponent", "R²"),
            [
                (
                    person.participant,
                    number(person.rates[0]),
                    number(person.rates[-1]),
                    number(person.fit.x if person.fit else None, 3),
                    number(person.fit.r_squared if person.fit else None, 3),
                )
                for person in self.participants
            ],
        )
        mean = Estimate(self.x_mean, self.x_low, self.x_high)
        notes = (
            f"mean exponent {estimate_text(mean, 3)} over participants",
            f"averaged over participants: {_law(self.averaged)}",
            "caution: an averaged curve can follow a power law that no person follows",
        )
        return result_text(
            f"{self.metric} of {self.condition} by block", table, notes, self.origins
        )


def _law(fit: PowerLaw | None) -> str:
    """A law without its intervals: those of a fit to averages know nothing of the differences between participants."""
    if fit is None:
        return "not fitted"
    return f"R = {number(fit.a)} N^{number(fit.x, 3)} (R² {number(fit.r_squared, 3)}, {fit.points} points)"


def fit_power_law(
    blocks: Sequence[float], rates: Sequence[float], *, confidence: float = 0.95
) -> PowerLaw:
    """Fit R_N = a · N^x by least squares of log R on log N.

    `blocks`: N, positive and not all the same; `rates`: positive; both (n,) with n ≥ 2. The
    intervals are those of linear regression (Student's t with n - 2 degrees of freedom); they take
    the blocks for independent, which a person's blocks hardly are, so read them as a lower bound.
    Raises StudyLogError for unusable numbers, NearkeyError for a confidence outside (0, 1).
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
    log_n, log_r = np.log(n), np.log(r)
    from_mean = log_n - log_n.mean()
    square = float(from_mean @ from_mean)
    x = float(from_mean @ (log_r - log_r.mean())) / square
    log_a = float(log_r.mean() - x * log_n.mean())
    unexplained = float(((log_r - (log_a + x * log_n)) ** 2).sum())
    total = float(((log_r - log_r.mean()) ** 2).sum())
    x_half = a_half = math.nan
    if len(n) > 2:
        x_half = student_t(confidence, len(n) - 2) * math.sqrt(unexplained / (len(n) - 2) / square)
        a_half = x_half * math.sqrt(float((log_n**2).mean()))
    return PowerLaw(
        a=math.exp(log_a),
        a_low=math.exp(log_a - a_half),
        a_high=math.exp(log_a + a_half),
        x=x,
        x_low=x - x_half,
        x_high=x + x_half,
        r_squared=1.0 - unexplained / total if total > 0 else math.nan,
        points=len(n),
    )


def learning_curve(
    measured: Measures,
    *,
    metric: str = "wpm",
    condition: str | None = None,
    confidence: float = 0.95,
    interval: IntervalKind = "t",
    resamples: int = 2000,
    seed: Seed = 0,
) -> LearningCurve:
    """Fit each participant's blocks of one condition, and the average over participants.

    Parameters
    ----------
    measured : what `measures` returned. metric : one of `METRICS`. condition : its name.
    confidence : of the intervals. interval : of the mean exponent, "t" or "bootstrap". resamples, seed : of the
        bootstrap.

    N counts the blocks a participant typed in this condition, over sessions, from 1. `condition`
    may be left out where there is only one. The averaged fit uses the blocks all participants have.
    Raises StudyLogError for an unknown metric or condition, or no blocks, NearkeyError for a confidence outside
    (0, 1) or no resamples.
    """
    check_metric(metric)
    check_interval(interval)
    chosen = _only_condition(measured, condition)
    rates = measured.by_block(metric)[chosen]
    participants = tuple(
        ParticipantCurve(name, tuple(range(1, len(own) + 1)), tuple(own), _fit(own, confidence))
        for name, own in sorted(rates.items())
    )
    # The blocks that all have.
    together = zip(*(person.rates for person in participants), strict=False)
    mean_rates = tuple(sum(block) / len(participants) for block in together)
    exponents = [person.fit.x for person in participants if person.fit]
    mean = over_people(
        exponents, confidence=confidence, interval=interval, resamples=resamples, seed=seed
    )
    return LearningCurve(
        condition=chosen,
        metric=metric,
        participants=participants,
        mean_rates=mean_rates,
        averaged=_fit(mean_rates, confidence),
        x_mean=mean.value,
        x_low=mean.low,
        x_high=mean.high,
        origins=measured.origins,
    )


def _only_condition(measured: Measures, condition: str | None) -> str:
    names = measured.condition_names
    if condition is None and len(names) == 1:
        return names[0]
    if condition not in names:
        raise StudyLogError(
            "no blocks" if not names else f"is {condition!r}",
            field="condition",
            fix=f"use one of {', '.join(names)}" if names else "measure a log with finished trials",
        )
    return condition


def _fit(rates: Sequence[float], confidence: float) -> PowerLaw | None:
    """The law through the blocks with a positive rate; None where there are fewer than two."""
    usable = [(n, rate) for n, rate in enumerate(rates, start=1) if rate > 0]
    if len(usable) < 2:
        return None
    blocks, positive = zip(*usable, strict=True)
    return fit_power_law(blocks, positive, confidence=confidence)
