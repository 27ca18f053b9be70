"""Studies drawn from a known truth, and how many people, phrases and blocks a difference takes: power by simulation,
through the tests that are reported."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from itertools import combinations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.bounds import whole_number
from nearkey.errors import PlanError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, proportion, student_t
from nearkey.seeds import Seed, seed_number
from nearkey.study.condition_tests import holm
from nearkey.study.effect_sizes import people_for_holm, scipy_stats, smallest_holm_p
from nearkey.study.mixed_models import fit_mixed_model
from nearkey.study.phrase_observations import Observations
from nearkey.study.study_plan import williams_design
from nearkey.text_table import estimate_text, number, text_table

Floats = NDArray[np.float64]

_MOST_PHRASES = 200_000
"""Phrases of one study drawn: more than any study has."""


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


@dataclass(frozen=True, slots=True)
class PowerRow:
    """One design and how often it finds the difference, with 95 % intervals (Wilson) of so many simulated studies.

    `t`, `wilcoxon`: the paired tests after Holm's correction over all pairs. `mixed`: the mixed-effects model, None
    where it was not run. `half_width`: mean half width of the t interval of the difference. Chances of cautions:
    `unreachable`, whether Wilcoxon's test cannot reach the level under Holm (1 or 0, exact); `zero_variance`,
    `not_converged`: shares of mixed models with a variance of zero, and without convergence (NaN where not run).
    """

    participants: int
    blocks: int
    phrases: int
    t: Estimate
    wilcoxon: Estimate
    mixed: Estimate | None
    half_width: float
    unreachable: float
    zero_variance: float
    not_converged: float


@dataclass(frozen=True, slots=True, repr=False)
class PowerTable(Tabular):
    """What `study_power` found: the `rows`, and what they rest on."""

    rows: tuple[PowerRow, ...]
    truth: StudyTruth
    difference: float
    conditions: int
    alpha: float
    simulations: int
    mixed_simulations: int
    seed: int
    metric: str

    def enough(self, power: float = 0.8) -> PowerRow | None:
        """The first row, by people, then phrases in all, whose t test reaches this power; None where none does."""
        ordered = sorted(self.rows, key=lambda row: (row.participants, row.blocks * row.phrases))
        return next((row for row in ordered if row.t.value >= power), None)

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each size of study, estimates as mappings of value, low and high."""
        return [
            {name: v._asdict() if isinstance(v, Estimate) else v for name, v in asdict(row).items()}
            for row in self.rows
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {**asdict(self), "rows": [asdict(row) for row in self.rows]}

    def __str__(self) -> str:
        rows = [
            (
                row.participants,
                row.blocks,
                row.phrases,
                estimate_text(row.t, 0, percent=True),
                estimate_text(row.wilcoxon, 0, percent=True),
                None if row.mixed is None else estimate_text(row.mixed, 0, percent=True),
                number(row.half_width),
                number(row.unreachable, 0, percent=True),
                number(row.zero_variance, 0, percent=True),
                number(row.not_converged, 0, percent=True),
            )
            for row in self.rows
        ]
        heads = (
            *("participants", "blocks", "phrases", "t, %", "Wilcoxon, %", "mixed, %", "half width"),
            *("below reach, %", "no variance, %", "no fit, %"),
        )
        pairs = self.conditions * (self.conditions - 1) // 2
        mixed = f", {self.mixed_simulations} of mixed models" if self.mixed_simulations else ""
        spreads = ", ".join(
            f"{name.removeprefix('sd_')} {number(value, 2)}"
            for name, value in self.truth.to_dict().items()
            if name.startswith("sd_")
        )
        lines = [
            f"power to find a difference of {self.difference:g} in {self.metric} between two of {self.conditions} "
            f"conditions at {self.alpha:g} (Holm over {pairs} pair{'s' if pairs > 1 else ''})",
            text_table(heads, rows, left=()),
            f"standard deviations: {spreads}",
            f"{self.simulations} simulated studies a row{mixed}, seed {self.seed}; [..]: 95 % interval (Wilson)",
            f"Wilcoxon's test is below reach with fewer than {people_for_holm(pairs, alpha=self.alpha)} participants",
        ]
        found = self.enough()
        lines.append(
            "no row reaches 80 % with the t test"
            if found is None
            else f"80 % with the t test: {found.participants} participants, "
            f"{found.blocks} blocks of {found.phrases} phrases"
        )
        return "\n".join(lines)


def study_power(
    truth: StudyTruth,
    *,
    difference: float,
    conditions: int = 2,
    participants: Iterable[int] = (6, 8, 12, 16, 24),
    blocks: Iterable[int] = (4,),
    phrases: Iterable[int] = (10,),
    alpha: float = 0.05,
    simulations: int = 1000,
    mixed_simulations: int = 0,
    seed: Seed = 0,
    metric: str = "wpm",
) -> PowerTable:
    """How often studies of each size find a difference that is there.

    Parameters
    ----------
    truth : what a value is made of; stated, or `truth_from_pilot`. difference : between the first and the last
        condition, in the measure's unit; any others lie evenly between them.
    conditions : how many. participants, blocks, phrases : sizes to try, every combination. alpha : level of the tests.
    simulations, mixed_simulations : studies drawn for a row; mixed-effects models take a second each.
    seed : of the draws. metric : its name, for printing.

    Means per person and condition go through the paired t test and Wilcoxon's, corrected by Holm's method over all
    pairs, as in `compare_conditions`; phrases go through `fit_mixed_model`.
    Raises PlanError for numbers out of range, NearkeyError without scipy.
    """
    seed = seed_number(seed)

    def within(field: str, value: object, low: int, high: int) -> int:
        return whole_number(value, low=low, high=high, error=PlanError, field=field)

    within("conditions", conditions, 2, 20)
    within("simulations", simulations, 1, 100_000)
    within("mixed_simulations", mixed_simulations, 0, 10_000)
    sizes = list(
        product(
            sorted({within("participants", n, 2, 1000) for n in participants}),
            sorted({within("blocks", n, 1, 100) for n in blocks}),
            sorted({within("phrases", n, 1, 1000) for n in phrases}),
        )
    )
    if not sizes:
        raise PlanError("are none", field="participants, blocks or phrases", fix="give one or more")
    if not 0 < alpha < 1:
        raise PlanError(f"is {alpha}", field="alpha", fix="give a level such as 0.05")
    largest = conditions * max(a * b * c for a, b, c in sizes)
    if largest > _MOST_PHRASES:
        raise PlanError(
            f"a study of {largest:,} phrases",
            field="participants, blocks, phrases",
            fix=f"ask for {_MOST_PHRASES:,} at most",
        )
    if not math.isfinite(difference):
        raise PlanError(f"is {difference}", field="difference", fix="give a finite number")
    asked = PowerTable(
        rows=(),
        truth=truth,
        difference=difference,
        conditions=conditions,
        alpha=alpha,
        simulations=simulations,
        mixed_simulations=mixed_simulations,
        seed=seed,
        metric=metric,
    )
    return replace(asked, rows=tuple(_row(asked, size) for size in sizes))


def _row(asked: PowerTable, size: tuple[int, int, int]) -> PowerRow:
    """The power of studies of one size: participants, blocks, phrases."""
    n, k, alpha = size[0], asked.conditions, asked.alpha
    simulations, mixed_simulations = asked.simulations, asked.mixed_simulations
    sizes = dict(zip(("participants", "blocks", "phrases"), size, strict=True))
    effects = tuple(asked.difference * c / (k - 1) for c in range(k))
    pairs = list(combinations(range(k), 2))
    pair = pairs.index((0, k - 1))
    rng = np.random.default_rng([asked.seed, *size, k])
    means = np.empty((simulations, n, k))
    mixed_hits = zero = unfit = 0
    for i in range(max(simulations, mixed_simulations)):
        data = draw_study(asked.truth, effects=effects, **sizes, seed=rng, metric=asked.metric)
        if i < simulations:  # rows come person by person, condition by condition
            means[i] = data.value.reshape(n, k, -1).mean(axis=2)
        if i < mixed_simulations:
            fit = fit_mixed_model(data)
            mixed_hits += fit.effects[pair].p_holm < alpha
            unfit += not fit.converged
            zero += any("no variance" in text for text in fit.cautions())
    stats = scipy_stats()
    p_t, p_w = np.empty((2, len(pairs), simulations))
    for at, (first, second) in enumerate(pairs):
        differences = means[:, :, second] - means[:, :, first]
        p_t[at] = stats.ttest_1samp(differences, 0.0, axis=1).pvalue
        p_w[at] = stats.wilcoxon(differences, axis=1).pvalue
    # In how many studies the pair asked about passes after Holm's correction.
    t, wilcoxon = (
        proportion(sum(holm(study)[pair] < alpha for study in p.T), simulations) for p in (p_t, p_w)
    )
    spread = float((means[:, :, -1] - means[:, :, 0]).std(axis=1, ddof=1).mean())
    return PowerRow(
        **sizes,
        t=t,
        wilcoxon=wilcoxon,
        mixed=proportion(mixed_hits, mixed_simulations) if mixed_simulations else None,
        half_width=student_t(0.95, n - 1) * spread / math.sqrt(n),
        unreachable=float(smallest_holm_p(n, len(pairs)) >= alpha),
        zero_variance=zero / mixed_simulations if mixed_simulations else math.nan,
        not_converged=unfit / mixed_simulations if mixed_simulations else math.nan,
    )
