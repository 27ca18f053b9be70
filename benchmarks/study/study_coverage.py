"""How often the intervals a study prints hold the truth: studies drawn from a known truth, at 4, 8 and 16 people.

python benchmarks/study/study_coverage.py [--studies 3000] [--seed 1]

Writes benchmarks/results/study_coverage.json. The truth is invented: participants differ in speed, slips, attention, learning
and in what a condition does to them; phrases differ; practice follows a power law; a later place in the order is
faster. What participants of this truth have on average comes from 100,000 of them. Every interval comes from the functions
that print it: the measures' table, the comparison of conditions, checks, curves, predictions, models, workload.
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from harness import options
from sections import save_section

from nearkey.intervals import Estimate, proportion
from nearkey.study import (
    METRICS,
    WORKLOAD_PAIRS,
    WORKLOAD_SCALES,
    ConditionMeasures,
    GroupMeasures,
    Measures,
    PhraseCounts,
    StudyTruth,
    compare_conditions,
    condition_by_block,
    draw_study,
    fit_mixed_model,
    fit_power_law,
    learning_curve,
    repeated_measures,
    workload_answer,
    workload_summary,
)
from nearkey.study.prediction_gap import PredictedLayout, prediction_gaps
from nearkey.study.results import over_people

PEOPLE = (4, 8, 16)
BLOCKS, PHRASES = 4, 5
CHARS, WORDS = 30, 6
TRUE_PEOPLE = 100_000
CONDITIONS = ("first", "second")
COMPARED = ("wpm", "kspc", "total_error_percent")
PREDICTED = (PredictedLayout("first", 1, {"top1": 0.8, "top3": 0.9, "kspc": 1.0, "wpm": 20.0}),)

Floats = NDArray[np.float64]


def logit_normal(rng: np.random.Generator, share: float, sd: float, n: int) -> Floats:
    """Shares around one, normal in their log odds."""
    return 1 / (1 + np.exp(-rng.normal(math.log(share / (1 - share)), sd, n)))


def people_of(rng: np.random.Generator, n: int) -> dict[str, Any]:
    """Counts of n participants under two conditions, summed over blocks: arrays (n, 2), and seconds (n, 2, blocks).

    Half of the participants begin with either condition; the second place is 3 % faster.
    """
    begins = rng.permutation(n) % 2
    later = np.stack([begins, 1 - begins], axis=1)
    pace = rng.normal(math.log(0.9), 0.18, n)[:, None] + np.array([0.0, 0.08])
    pace = pace + rng.normal(0.0, 0.06, (n, 2)) - 0.03 * later
    practice = rng.normal(-0.18, 0.05, n)[:, None, None] * np.log(np.arange(1, BLOCKS + 1))
    phrase = rng.normal(0.0, 0.12, (n, 2, BLOCKS, PHRASES))
    seconds = CHARS * np.exp(pace[:, :, None, None] + practice[:, :, :, None] + phrase)
    total = BLOCKS * PHRASES * CHARS

    def drawn(share: float, sd: float, of: Any) -> NDArray[np.int64]:
        return rng.binomial(of, logit_normal(rng, share, sd, n)[:, None], (n, 2))

    slips = drawn(0.06, 0.4, total)
    seen = drawn(0.7, 0.4, slips)
    more = drawn(0.3, 0.4, seen)
    saved = drawn(0.15, 0.3, total)
    words = BLOCKS * PHRASES * WORDS
    places = [drawn(0.8, 0.4, words)]
    for _ in range(3):
        places.append(drawn(0.6, 0.3, words - sum(places)))
    spoilt = drawn(0.8, 0.3, np.minimum(slips - seen, words))
    doubled = drawn(0.2, 0.3, words)
    keys = total + BLOCKS * PHRASES + 2 * seen + more - saved
    return {
        "seconds": seconds.sum(axis=3),
        "slips": slips,
        "seen": seen,
        "fixes": seen + more,
        "keys": keys,
        "gestures": keys - doubled,
        "ranks": (*places, words - sum(places)),
        "word_errors": spoilt,
    }


def group(data: dict[str, Any], person: int, condition: int) -> GroupMeasures:
    """One person's counts under one condition, as a study log would give them."""
    at = person, condition
    n = BLOCKS * PHRASES
    wrong = int(data["slips"][at] - data["seen"][at])
    counts = PhraseCounts(
        phrases=n,
        presented=n * CHARS,
        transcribed=n * CHARS,
        entered=n * (CHARS + 1),
        timed=n * CHARS,
        seconds=float(data["seconds"][at].sum()),
        keystrokes=int(data["keys"][at]),
        gestures=int(data["gestures"][at]),
        correct=n * CHARS - wrong,
        incorrect_not_fixed=wrong,
        incorrect_fixed=int(data["seen"][at]),
        fixes=int(data["fixes"][at]),
        longest=n * CHARS,
        mean_alignment_length=n * CHARS + 0.3 * wrong,
        words_presented=n * WORDS,
        word_errors=int(data["word_errors"][at]),
        ranks=MappingProxyType({i: int(tally[at]) for i, tally in enumerate(data["ranks"])}),
    )
    return GroupMeasures(f"p{person}", counts, math.nan, math.nan, condition=CONDITIONS[condition])


def study(data: dict[str, Any], n: int) -> Measures:
    """A study of n participants, as `measures` gives it: without phrases, and with speeds alone in its blocks."""
    both = [group(data, i, c) for c in (0, 1) for i in range(n)]
    blocks = [
        GroupMeasures(
            one.participant,
            PhraseCounts(timed=PHRASES * CHARS, seconds=float(seconds)),
            math.nan,
            math.nan,
            condition=one.condition,
            session=1,
            block=number,
        )
        for one, own in zip(
            both, np.concatenate([data["seconds"][:, c] for c in (0, 1)]), strict=True
        )
        for number, seconds in enumerate(own, start=1)
    ]
    return Measures(
        phrases=(),
        blocks=tuple(blocks),
        participants=tuple(both),
        conditions=tuple(ConditionMeasures.of(name, both) for name in CONDITIONS),
        overall=ConditionMeasures.of(None, ()),
        left_out=(),
        origins=("invented",),
        selection="entry",
        confidence=0.95,
    )


def printed(measured: Measures) -> Iterator[tuple[str, Estimate]]:
    """Every interval of a study that comes from people's counts, by name."""
    for name, mean in measured.conditions[0].estimates.items():
        yield f"mean: {name}", Estimate(*mean[:3])
    for metric in COMPARED:
        found = compare_conditions(measured, metric)
        (pair,) = found.pairs
        yield f"difference of conditions: {metric}", Estimate(pair.difference, pair.low, pair.high)
        yield f"effect size d: {metric}", pair.effect
        yield f"partial eta² of two conditions: {metric}", found.omnibus.effect
    by_block = condition_by_block(measured)
    yield "partial eta² of blocks: wpm", by_block.block.effect
    yield "partial eta² of condition x block: wpm", by_block.interaction.effect
    curve = learning_curve(measured, condition=CONDITIONS[0])
    yield "mean exponent of practice", Estimate(curve.x_mean, curve.x_low, curve.x_high)
    for at, name in ((0, "first"), (BLOCKS - 1, "last")):
        rates = [person.rates[at] for person in curve.participants]
        yield f"learning curve: mean wpm of the {name} block", over_people(rates)
    for row in prediction_gaps(measured, PREDICTED).rows:
        yield f"gap to a prediction: {row.measure}", row.gap
    speeds = [one.wpm for one in measured.participants if one.condition == CONDITIONS[0]]
    yield BOOTSTRAP, over_people(speeds, interval="bootstrap", resamples=1000)


BOOTSTRAP = "on request only: percentile bootstrap, mean of wpm"


def of_people(rng: np.random.Generator, n: int) -> Iterator[tuple[str, Estimate]]:
    """The intervals of one study of n participants."""
    return printed(study(people_of(rng, n), n))


def truth(rng: np.random.Generator, n: int = TRUE_PEOPLE) -> Callable[[str, int], float]:
    """(interval, people of a study) -> what the participants of this truth have: means, and effect sizes, over n of them."""
    data = people_of(rng, n)
    rates = [[group(data, i, c).rates() for i in range(n)] for c in (0, 1)]
    columns = [{name: np.array([row[name] for row in rows]) for name in METRICS} for rows in rates]
    known = {f"mean: {name}": float(np.nanmean(columns[0][name])) for name in METRICS}
    known[BOOTSTRAP] = known["mean: wpm"]
    eta: dict[str, tuple[float, int]] = {}
    for metric in COMPARED:
        away = columns[1][metric] - columns[0][metric]
        known[f"difference of conditions: {metric}"] = float(away.mean())
        d = float(away.mean() / away.std())
        known[f"effect size d: {metric}"] = d
        eta[f"partial eta² of two conditions: {metric}"] = d * d, 1
    speed = 12 * CHARS * PHRASES / data["seconds"]
    for name, scores in (
        ("partial eta² of blocks: wpm", speed.mean(axis=1) @ HELMERT),
        ("partial eta² of condition x block: wpm", (speed[:, 1] - speed[:, 0]) @ HELMERT),
    ):
        spread = float(scores.var(axis=0).mean())
        eta[name] = float((scores.mean(axis=0) ** 2).sum()) / spread, BLOCKS - 1
    x = np.log(np.arange(1, BLOCKS + 1))
    x = x - x.mean()
    known["mean exponent of practice"] = float((np.log(speed[:, 0]) @ x).mean() / (x @ x))
    known["learning curve: mean wpm of the first block"] = float(speed[:, 0, 0].mean())
    known["learning curve: mean wpm of the last block"] = float(speed[:, 0, -1].mean())
    first, *more = (tally[:, 0] for tally in data["ranks"])
    words = first + sum(more)
    own = {
        "top1": float((first / words).mean()),
        "top3": float(((first + more[0] + more[1]) / words).mean()),
        "kspc": known["mean: kspc"],
        "wpm": known["mean: wpm"],
    }
    for name, predicted in PREDICTED[0].figures.items():
        known[f"gap to a prediction: {name}"] = own[name] - predicted

    def told(name: str, people: int) -> float:
        if name in known:
            return known[name]
        per_person, df = eta[name]
        return eta_squared(people * per_person, df, df * (people - 1))

    return told


HELMERT = np.array([[1, 1, 1], [-1, 1, 1], [0, -2, 1], [0, 0, -3]]) / np.sqrt([2, 6, 12])
"""Orthonormal contrasts of four blocks."""


def eta_squared(noncentrality: float, df: int, df_error: int) -> float:
    """Partial eta squared of a truth with this noncentrality, see `partial_eta_squared`."""
    return noncentrality / (noncentrality + df + df_error + 1)


MIXED = StudyTruth(
    mean=12.0,
    sd_participant=2.0,
    sd_condition=0.8,
    sd_phrase=0.6,
    sd_residual=1.5,
    learning=1.0,
    sd_learning=0.5,
    place=0.4,
)
MIXED_EFFECT = 1.2


def of_models(rng: np.random.Generator, n: int) -> Iterator[tuple[str, Estimate]]:
    """The fixed effects of one study, and partial eta squared of three conditions of another."""
    effects = (0.0, MIXED_EFFECT)
    data = draw_study(
        MIXED, effects=effects, participants=n, blocks=BLOCKS, phrases=PHRASES, seed=rng
    )
    for one in fit_mixed_model(data).effects:
        yield f"mixed model: {one.name}", one.estimate
    values = rng.normal(0.0, 2.0, (n, 1)) + rng.normal(THREE, 1.0, (n, 3))
    yield "partial eta² of three conditions", repeated_measures(values).effect


THREE = (0.0, 0.6, 1.2)


def true_model(name: str, people: int) -> float:
    """What `of_models` would find in endless data; of three conditions, over the noise of 1."""
    noncentrality = people * 3 * float(np.var(THREE))
    return {
        "mixed model: c1 -> c2": MIXED_EFFECT,
        "mixed model: block (per doubling)": MIXED.learning,
        "mixed model: place (per place)": MIXED.place,
        "partial eta² of three conditions": eta_squared(noncentrality, 2, 2 * (people - 1)),
    }[name]


def of_workload(rng: np.random.Generator, n: int) -> Iterator[tuple[str, Estimate]]:
    """The workload scores of one study."""
    summary = workload_summary(
        workload_answer({"participant": f"p{i}", "condition": "pad", **ratings}, chosen=chosen)
        for i, (ratings, chosen) in enumerate(answers(rng, n))
    )
    for name, estimate in summary.conditions["pad"].items():
        yield f"workload: {name}", estimate


def answers(rng: np.random.Generator, n: int) -> list[tuple[dict[str, float], list[str]]]:
    """Invented answers: ratings in steps of five, and a choice of each pair."""
    level = rng.normal(45.0, 15.0, n)
    out = []
    for i in range(n):
        ratings = np.clip(5 * np.round(rng.normal(level[i], 12.0, 6) / 5), 0, 100)
        names = [scale.name for scale in WORKLOAD_SCALES]
        chosen = [pair[int(rng.random() < 0.5)] for pair in WORKLOAD_PAIRS]
        out.append((dict(zip(names, ratings.tolist(), strict=True)), chosen))
    return out


def workload_truth(rng: np.random.Generator, n: int = 30_000) -> Callable[[str, int], float]:
    """(score, people of a study) -> its average over n people's answers."""
    known = {name: estimate.value for name, estimate in of_workload(rng, n)}
    return lambda name, _: known[name]


def one_person(rng: np.random.Generator, _: int) -> Iterator[tuple[str, Estimate]]:
    """One power law through eight independent blocks, and the share of simulated studies that find a difference."""
    blocks = np.arange(1, 9)
    fit = fit_power_law(blocks, 10.4 * blocks**0.16 * np.exp(rng.normal(0, 0.05, 8)))
    yield "one person's power law: a", Estimate(fit.a, fit.a_low, fit.a_high)
    yield "one person's power law: exponent", Estimate(fit.x, fit.x_low, fit.x_high)
    yield POWER, proportion(int(rng.binomial(1000, 0.8)), 1000)


POWER = "power: share of 1,000 simulated studies"
ALONE = {"one person's power law: a": 10.4, "one person's power law: exponent": 0.16, POWER: 0.8}

Draw = Callable[[np.random.Generator, int], Iterator[tuple[str, Estimate]]]


def count(
    draw: Draw, known: Callable[[str, int], float], *, people: int, studies: int, seed: int
) -> dict[str, tuple[int, int]]:
    """Interval -> (studies whose interval held the truth, studies that printed one)."""
    rng = np.random.default_rng(seed)
    held, seen = Counter[str](), Counter[str]()
    for _ in range(studies):
        for name, estimate in draw(rng, people):
            if math.isnan(estimate.low):
                continue  # nothing is printed there
            seen[name] += 1
            held[name] += estimate.low <= known(name, people) <= estimate.high
    return {name: (held[name], n) for name, n in seen.items()}


def main() -> None:
    asked = options(__doc__, studies=3000, seed=1)
    rng = np.random.default_rng(asked.seed)
    sources: list[tuple[Draw, Callable[[str, int], float]]] = [
        (of_people, truth(rng)),
        (of_models, true_model),
        (of_workload, workload_truth(rng)),
    ]
    drawn = partial(count, studies=asked.studies, seed=asked.seed)
    table: dict[str, dict[int, Estimate]] = {}
    for draw, known in sources:
        for people in PEOPLE:
            for name, (held, n) in drawn(draw, known, people=people).items():
                table.setdefault(name, {})[people] = proportion(held, n)
    rows = [[name, *(found.get(n) for n in PEOPLE), None] for name, found in table.items()]
    for name, (held, n) in drawn(one_person, lambda name, _: ALONE[name], people=1).items():
        rows.append([name, None, None, None, proportion(held, n)])
    rows.sort(key=lambda row: row[0] == BOOTSTRAP)
    save_section(
        "study_coverage",
        "How often the intervals of a study hold the truth",
        ["interval (95 %)", *(f"{n} people|%" for n in PEOPLE), "one person, or none|%"],
        rows,
        order=85,
        notes=[
            f"{asked.studies:,} studies drawn from an invented truth for each number of people; brackets: Wilson's interval "
            "of the share.",
            f"{BLOCKS} blocks of {PHRASES} phrases of {CHARS} characters under each of two conditions; participants differ in speed, "
            "slips, attention, learning, and in what a condition does to them; the later condition is faster.",
            "One person's power law goes through eight independent blocks.",
            "The last row is printed only by programs that ask for it, with a word that it is too narrow for few people.",
        ],
    )


if __name__ == "__main__":
    main()
