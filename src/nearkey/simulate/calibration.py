"""Whether probabilities mean what they say: reliability, calibration error, bits.

Sources: expected calibration error over equally wide bins, Naeini, Cooper & Hauskrecht (AAAI 2015) and
Guo, Pleiss, Sun & Weinberger (ICML 2017, 15 bins); what it comes to by chance for a calibrated
source, by redrawing the outcomes from the probabilities, Bröcker & Smith (Weather and Forecasting 22,
2007, 651-661, consistency resampling). All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError
from nearkey.intervals import Estimate, proportion
from nearkey.seeds import Seed
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.decoders.protocol import Answers, Posterior
from nearkey.simulate.plain_data import plain
from nearkey.simulate.workload import count_different

OUTSIDE_LIST = 1e-3
"""Probability set aside, spread over all words alike, for words a list leaves out."""


@dataclass(frozen=True, slots=True)
class ReliabilityBin:
    """Words whose first candidate had a probability in (low, high].

    confidence : their mean probability. accuracy : the share that was right, with its interval.
    expected : the interval (95 %) the share would lie in by chance, were the probabilities right.
    """

    low: float
    high: float
    words: int
    confidence: float
    accuracy: Estimate
    expected: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Calibration:
    """Reliability of the first candidate's probability.

    error : expected calibration error, the mean over words of |accuracy - confidence| of their bin.
    by_chance : its mean and its 95 % quantile for a calibrated source with these probabilities and as many words.
    p_value : share of redrawn outcomes whose error was at least as large.
    """

    words: int
    error: float
    by_chance: tuple[float, float]
    p_value: float
    confidence: float
    accuracy: float
    bins: tuple[ReliabilityBin, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        mean, high = self.by_chance
        return {**plain(self), "by_chance": plain({"mean": mean, "high": high})}


def calibrate(
    confidence: Floats,
    right: NDArray[np.bool_],
    *,
    bins: int = 15,
    seed: Seed = 0,
    draws: int = 400,
    origin: Ints | None = None,
) -> Calibration:
    """Compare probabilities of first candidates (n,) with whether these were right (n,).

    bins : equally wide bins over [0, 1]; empty ones are left out. seed, draws : of the redrawn outcomes.
    origin : (n,) which running word each is, where some are typed again: such are redrawn with one random number.
    Raises PlanError for no words, or probabilities outside [0, 1].
    """
    confidence = np.asarray(confidence, dtype=np.float64)
    right = np.asarray(right, dtype=bool)
    n = len(confidence)
    if n == 0 or len(right) != n or bins < 1:
        raise PlanError(
            f"{n} probabilities, {len(right)} outcomes, {bins} bins",
            field="calibration",
            fix="give as many outcomes as probabilities, and a bin or more",
        )
    if not ((confidence >= 0) & (confidence <= 1 + 1e-9)).all():
        raise PlanError("not a probability", field="confidence", fix="give numbers from 0 to 1")
    place = np.clip(np.ceil(confidence * bins).astype(np.int64) - 1, 0, bins - 1)
    size = np.bincount(place, minlength=bins)
    expected = np.bincount(place, weights=confidence, minlength=bins)
    hits = np.bincount(place, weights=right, minlength=bins)
    rng = np.random.default_rng(seed)
    numbers, number_of = n, None
    if origin is not None:
        different, number_of = np.unique(origin, return_inverse=True)
        numbers = len(different)
    redrawn = np.empty((draws, bins))
    for i in range(draws):
        drawn = rng.random(numbers)
        drawn = drawn if number_of is None else drawn[number_of]
        redrawn[i] = np.bincount(place, weights=drawn < confidence, minlength=bins)
    chance = np.abs(redrawn - expected).sum(axis=1) / n
    error = float(np.abs(hits - expected).sum() / n)
    low, high = np.quantile(redrawn, (0.025, 0.975), axis=0)
    found = tuple(
        ReliabilityBin(
            low=b / bins,
            high=(b + 1) / bins,
            words=int(size[b]),
            confidence=float(expected[b] / size[b]),
            accuracy=proportion(
                int(hits[b]), int(size[b]), different=count_different(origin, place == b)
            ),
            expected=(float(low[b] / size[b]), float(high[b] / size[b])),
        )
        for b in range(bins)
        if size[b]
    )
    return Calibration(
        words=n,
        error=error,
        by_chance=(float(chance.mean()), float(np.quantile(chance, 0.95))),
        p_value=float((1 + (chance >= error - 1e-12).sum()) / (draws + 1)),
        confidence=float(confidence.mean()),
        accuracy=float(right.mean()),
        bins=found,
    )


def list_posterior(answers: Answers, rank: Ints, vocabulary: int) -> Posterior | None:
    """Probabilities from a ranked list, for decoders that give no more; None where it has no scores.

    With `log_total` the list is normalised by it, else by its own sum. A thousandth of the
    probability is set aside for words outside the list, spread over a vocabulary of this size, so that a word
    left out costs a finite number of bits.
    """
    if answers.log_probs is None:
        return None
    scores = answers.log_probs
    empty = answers.index[:, 0] < 0
    listed = np.full(len(scores), -np.inf)
    listed[~empty] = np.logaddexp.reduce(scores[~empty], axis=1)
    total = listed
    normaliser = "the list's own sum"
    if answers.log_total is not None:
        total = np.where(np.isnan(answers.log_total), listed, answers.log_total)
        normaliser = "the decoder's own total"
    total = np.where(np.isfinite(total), total, 0.0)
    first = np.where(empty, 0.0, np.exp(np.minimum(scores[:, 0] - total, 0.0)))
    own = np.where(
        rank > 0,
        np.take_along_axis(scores, np.maximum(rank - 1, 0)[:, None], axis=1)[:, 0] - total,
        -np.inf,
    )
    outside = np.log(OUTSIDE_LIST) - np.log(max(vocabulary, 1))
    target = np.logaddexp(own + np.log1p(-OUTSIDE_LIST), outside)
    return Posterior(first, target, f"{normaliser}; {OUTSIDE_LIST:g} set aside for words outside")
