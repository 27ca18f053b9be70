"""What became of each word typed, and every measure of it: of one group of words, and of two side by side."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError
from nearkey.intervals import (
    Z95,
    Estimate,
    by_group,
    design_effect,
    mean_over_people,
    paired_proportions,
    proportion,
    ratio,
    ratio_difference,
)
from nearkey.simulate.columns import Floats, Ints, join_rows, select_rows
from nearkey.simulate.decoders.protocol import Posterior
from nearkey.simulate.workload import count_different

TOP = (1, 3, 5, 10)
"""Lengths of list whose accuracy is reported."""

RANKED = ("top1", "top3", "top5", "kspc", "wpm")
"""The measures that rank layouts."""


def check_ranked(by: str) -> None:
    """PlanError for what is none of `RANKED`."""
    if by not in RANKED:
        raise PlanError(
            f"{by!r} is no measure", field="by", fix=f"write one of {', '.join(RANKED)}"
        )


@dataclass(frozen=True, slots=True)
class WordOutcomes:
    """One value a word, (n,) each.

    rank : place of the word meant among the texts, from 1; 0 where it was not listed.
    first : the first text, by its position among the decoder's words; -1 where there was none.
    characters : of the word meant, without the space. keystrokes : by the selection model, space included.
    seconds : predicted, by the model of entry speed.
    origin : see `Workload`.
    line : see `Workload`.
    distance : edits between the word meant and the first text ("" where there was none); None where nobody asked.
    posterior : see `Posterior`; None where nobody asked, or the decoder gives no probabilities.
    """

    rank: Ints
    first: Ints
    characters: Ints
    keystrokes: Floats
    seconds: Floats
    origin: Ints | None = None
    distance: Ints | None = None
    posterior: Posterior | None = None
    line: Ints | None = None

    def __len__(self) -> int:
        return len(self.rank)

    def select(self, members: NDArray[np.bool_] | slice) -> WordOutcomes:
        """Some of the words."""
        if isinstance(members, np.ndarray) and members.all():
            return self
        return select_rows(self, members)

    @classmethod
    def join(cls, parts: Sequence[WordOutcomes]) -> WordOutcomes:
        """The words of all parts, one after another; the parts are alike in what is None."""
        return parts[0] if len(parts) == 1 else join_rows(parts)


@dataclass(frozen=True, slots=True)
class Measure:
    """A ratio of sums over words: shares are ratios to the number of words.

    name : as in tables and files. more_is_better : which end is the good one.
    terms : outcomes -> numerator and denominator of each word, (n,) each.
    among : outcomes -> which words have a part in it, (n,); all without it.
    share : whether the numerator is 0 or 1 and the denominator 1. scale : what the ratio is multiplied by.
    most : what no interval ends above, unless the value itself lies there; none ends below 0.
    """

    name: str
    more_is_better: bool
    terms: Callable[[WordOutcomes], tuple[Floats, Floats]]
    among: Callable[[WordOutcomes], NDArray[np.bool_]] | None = None
    share: bool = False
    scale: float = 1.0
    most: float = math.inf

    def estimate(self, outcomes: WordOutcomes) -> Estimate:
        """The measure with its 95 % interval; NaN where no word has a part in it.

        Shares have Wilson's interval, ratios the linearised one.
        """
        chosen = outcomes if self.among is None else outcomes.select(self.among(outcomes))
        n = len(chosen)
        top, bottom = self.terms(chosen)
        different = _independent(chosen, _ratio_parts(top, bottom))
        if self.share:
            return proportion(int(top.sum()), n, different=different)
        if n == 0:
            return Estimate(math.nan, math.nan, math.nan)
        return _scaled(ratio(top, bottom, different=different), self.scale).within(0.0, self.most)

    def over_people(self, values: Sequence[float] | Floats) -> Estimate:
        """The measure's mean over people, (n,) values, with Student's interval within its bounds."""
        return mean_over_people(values).within(0.0, 1.0 if self.share else self.most)

    def difference(self, one: WordOutcomes, other: WordOutcomes, *, z: float = Z95) -> Estimate:
        """One less the other over the words both typed, which are the same: paired, with its interval of `z`.

        Shares have Tango's interval, ratios the linearised one; both are as much wider as words that run on demand.
        """
        if one is other:
            return Estimate(0.0, 0.0, 0.0)
        n = min(len(one), len(other))
        one, other = one.select(slice(n)), other.select(slice(n))
        terms = (*self.terms(one), *self.terms(other))
        parts = _ratio_parts(*terms[:2]) - _ratio_parts(*terms[2:])
        different = _independent(one, parts)
        if self.share:
            hits, others = terms[0] > 0, terms[2] > 0
            return paired_proportions(
                int((hits & ~others).sum()),
                int((others & ~hits).sum()),
                n,
                z=z,
                different=different,
            )
        return _scaled(ratio_difference(*terms, z=z, different=different), self.scale)

    def gain(self, one: WordOutcomes, other: WordOutcomes, *, z: float = Z95) -> Estimate:
        """`difference`, turned so that more is better."""
        return self.better(self.difference(one, other, z=z))

    def better(self, difference: Estimate) -> Estimate:
        """A difference of the measure, turned so that more is better; or one so turned, back."""
        return difference if self.more_is_better else turned(difference)

    @property
    def sign(self) -> float:
        """1 where more is better, else -1."""
        return 1.0 if self.more_is_better else -1.0

    def per_word(self, outcomes: WordOutcomes) -> Floats:
        """Values (n,) whose mean is the measure and whose spread is its interval's: the ratio linearised."""
        top, bottom = self.terms(outcomes)
        value = top.sum() / bottom.sum()
        return np.asarray(self.scale * (value + (top - value * bottom) / bottom.mean()))

    def units(self, outcomes: Sequence[WordOutcomes]) -> Floats:
        """What independent units say of several layouts that typed the same words, (units, k): their mean is the
        measure, more being better. Units are lines of running text, else different words, else words."""
        values = np.column_stack([self.sign * self.per_word(one) for one in outcomes])
        group = outcomes[0].line if outcomes[0].line is not None else outcomes[0].origin
        if group is None or len(np.unique(group)) < 2:
            return values
        return by_group(values, group)


def _ratio_parts(top: Floats, bottom: Floats) -> Floats:
    """Each word's part in the error of a ratio of sums."""
    if len(top) == 0 or bottom.sum() == 0:
        return np.zeros(len(top))
    return np.asarray((top - top.sum() / bottom.sum() * bottom) / bottom.mean())


def _independent(outcomes: WordOutcomes, parts: Floats) -> float | None:
    """How many independent words tell as much as these do; None where all do.

    No more than there are different ones, and fewer where words of one line go well or badly together.
    """
    different = count_different(outcomes.origin)
    if outcomes.line is None:
        return different
    items = len(parts) if different is None else different
    if items < 2:
        return different
    effect = design_effect(parts, outcomes.line, different=items)
    return different if effect == 1.0 else items / effect


def turned(estimate: Estimate) -> Estimate:
    """The same with the sign changed, and never a negative zero."""
    value, low, high = estimate
    return Estimate(0.0 - value, 0.0 - high, 0.0 - low)


def _scaled(estimate: Estimate, scale: float) -> Estimate:
    return estimate if scale == 1.0 else Estimate(*(value * scale for value in estimate))


def _top(k: int) -> Callable[[WordOutcomes], tuple[Floats, Floats]]:
    def terms(outcomes: WordOutcomes) -> tuple[Floats, Floats]:
        hits = (outcomes.rank >= 1) & (outcomes.rank <= k)
        return hits.astype(np.float64), np.ones(len(hits))

    return terms


def _spaced(outcomes: WordOutcomes) -> Floats:
    """Characters of each word and the space after it."""
    return outcomes.characters.astype(np.float64) + 1.0


def _target(outcomes: WordOutcomes) -> Floats:
    if outcomes.posterior is None:
        return np.full(len(outcomes), -np.inf)
    return outcomes.posterior.target


def _edits(outcomes: WordOutcomes) -> Floats:
    if outcomes.distance is None:
        return np.full(len(outcomes), np.nan)
    return outcomes.distance.astype(np.float64)


MEASURES = {
    measure.name: measure
    for measure in (
        *(Measure(f"top{k}", True, _top(k), share=True) for k in TOP),
        Measure("found", True, _top(np.iinfo(np.int64).max), share=True),
        Measure(
            "mean_rank",
            False,
            lambda o: (o.rank.astype(np.float64), np.ones(len(o))),
            among=lambda o: o.rank > 0,
        ),
        Measure("kspc", False, lambda o: (o.keystrokes, _spaced(o))),
        # Words of five characters a minute, the space after each word counted (MacKenzie 2002).
        Measure("wpm", True, lambda o: (_spaced(o), o.seconds), scale=12.0),
        Measure(
            "character_error_rate",
            False,
            lambda o: (_edits(o), o.characters.astype(np.float64)),
            most=1.0,
        ),
        Measure(
            "bits_per_character",
            False,
            lambda o: (-_target(o) / math.log(2.0), _spaced(o)),
            among=lambda o: np.isfinite(_target(o)),
        ),
    )
}
"""Every measure by name. `kspc` is the measured one: keystrokes per character as typed, corrections and spaces
included; the characteristic of a layout, touches perfect, is `keystrokes.characteristic_kspc`."""
