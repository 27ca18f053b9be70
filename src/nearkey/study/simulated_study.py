"""Studies drawn from a known truth: to plan with, and to see whether intervals hold what they promise."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError
from nearkey.seeds import Seed
from nearkey.study.phrase_observations import Observations
from nearkey.study.study_plan import williams_design

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTruth:
    """What a measure is made of, in its own unit (such as words per minute).

    mean : under the first condition, first block, first place. learning : gained by each doubling of the number of the
    block. place : gained by each later place in the order. sd_participant, sd_condition, sd_learning : standard
    deviations between participants of the level, of the difference between conditions (participant x condition), of
    the learning.
    sd_phrase : between phrases. sd_residual : of one phrase typed once.

    Raises PlanError for a number that is not finite, or a standard deviation below zero.
    """

    mean: float
    sd_participant: float
    sd_condition: float
    sd_phrase: float
    sd_residual: float
    learning: float = 0.0
    sd_learning: float = 0.0
    place: float = 0.0

    def __post_init__(self) -> None:
        for name, value in self.to_dict().items():
            if not math.isfinite(value) or (name.startswith("sd_") and value < 0):
                raise PlanError(
                    f"is {value}", field=name, fix="give a finite number, 0 or more for a deviation"
                )

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def draw_study(
    truth: StudyTruth,
    *,
    effects: tuple[float, ...],
    participants: int,
    blocks: int,
    phrases: int,
    seed: Seed,
    metric: str = "wpm",
) -> Observations:
    """One study drawn from a truth: everyone types everything, conditions in the orders of Williams' design.

    Parameters
    ----------
    truth : what values are made of. effects : (k,), what each condition adds to the mean, the first included.
    participants, blocks, phrases : how many; blocks under each condition, phrases in each block. seed : of all draws.
    metric : its name, for printing.

    Each person's phrases are a random order of one pool that is just large enough, so that none comes twice.
    Raises PlanError for numbers below 1.
    """
    rng = np.random.default_rng(seed)
    k = len(effects)
    if min(participants, blocks, phrases, k) < 1:
        raise PlanError(
            f"{participants} participants, {k} conditions, {blocks} blocks, {phrases} phrases",
            field="participants",
            fix="give 1 or more of each",
        )
    pool = k * blocks * phrases
    orders = williams_design(k)
    dealt = rng.permutation(participants)
    place = np.empty((participants, k), dtype=np.intp)
    for i in range(participants):
        for at, condition in enumerate(orders[int(dealt[i]) % len(orders)], start=1):
            place[i, condition] = at
    shape = (participants, k, blocks, phrases)
    person, condition, block, _ = np.indices(shape)
    # In the order typed: the phrases of the condition at the first place come first out of a person's own deck.
    decks = np.argsort(rng.random((participants, pool)), axis=1)
    turn = ((place[person, condition] - 1) * blocks + block) * phrases + np.indices(shape)[3]
    phrase = decks[person, turn]
    doublings = np.log2(block + 1.0)
    value = (
        truth.mean
        + np.asarray(effects)[condition]
        + rng.normal(0.0, truth.sd_participant, participants)[person]
        + rng.normal(0.0, truth.sd_condition, (participants, k))[person, condition]
        + (truth.learning + rng.normal(0.0, truth.sd_learning, participants))[person] * doublings
        + truth.place * (place[person, condition] - 1.0)
        + rng.normal(0.0, truth.sd_phrase, pool)[phrase]
        + rng.normal(0.0, truth.sd_residual, shape)
    )
    return Observations(
        metric=metric,
        participants=tuple(f"p{i + 1}" for i in range(participants)),
        conditions=tuple(f"c{i + 1}" for i in range(k)),
        phrases=tuple(f"phrase {i + 1}" for i in range(pool)),
        participant=person.ravel(),
        condition=condition.ravel(),
        block=block.ravel() + 1,
        place=place[person, condition].ravel(),
        phrase=phrase.ravel(),
        value=value.ravel(),
    )


def truth_from_pilot(data: Observations) -> StudyTruth:
    """What the mixed-effects model finds in a pilot study, as the truth to plan with.

    data : the pilot's phrases, of two participants and two conditions or more; see `fit_mixed_model`.

    A pilot of a handful of people knows its variances badly: plan with larger ones too.
    Raises as `fit_mixed_model`.
    """
    from nearkey.study.mixed_models import fit_mixed_model

    fit = fit_mixed_model(data)
    found = {one.name: one.estimate.value for one in fit.effects}
    learning = found.get("block (per doubling)", 0.0)
    first = data.value[(data.condition == 0)]
    start = learning * float(np.log2(data.block[data.condition == 0]).mean())
    return StudyTruth(
        mean=float(first.mean()) - start,
        sd_participant=fit.spreads["participant"],
        sd_condition=fit.spreads.get("participant x condition", 0.0),
        sd_phrase=fit.spreads.get("phrase", 0.0),
        sd_residual=fit.spreads["residual"],
        learning=learning,
        sd_learning=fit.spreads.get("participant x block", 0.0),
        place=found.get("place (per place)", 0.0),
    )
