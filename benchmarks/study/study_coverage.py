"""How often the intervals a study prints hold the truth: studies drawn from a known truth, at 4, 8 and 16 people.

python benchmarks/study/study_coverage.py [--studies 3000] [--mixed 1500] [--seed 1]

Writes benchmarks/results/study_coverage.json. The truth is invented: persons differ in speed, slips, attention, learning
and in what a condition does to them; phrases differ; practice follows a power law; a later place in the order is
faster. What persons of this truth have on average comes from 200,000 of them. Every interval goes through the functions
that print it.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from sections import save, section

from nearkey.intervals import Estimate, proportion
from nearkey.study import (
    METRICS,
    StudyTruth,
    draw_study,
    fit_mixed_model,
    fit_power_law,
    paired_effect_size,
    workload_answer,
    workload_summary,
)
from nearkey.study.phrase_counts import PhraseCounts
from nearkey.study.rates import metric_bounds
from nearkey.study.results import GroupMeasures, over_people

PEOPLE = (4, 8, 16)
BLOCKS, PHRASES = 4, 5
CHARS, WORDS = 30, 6
TRUE_PEOPLE = 200_000
CONDITIONS = ("first", "second")

Floats = NDArray[np.float64]


def logit_normal(rng: np.random.Generator, share: float, sd: float, n: int) -> Floats:
    """Shares around one, normal in their log odds."""
    return 1 / (1 + np.exp(-rng.normal(math.log(share / (1 - share)), sd, n)))


def people_of(rng: np.random.Generator, n: int) -> dict[str, Any]:
    """Counts of n persons under two conditions, summed over blocks: arrays (n, 2), and seconds (n, 2, blocks).

    Half of the persons begin with either condition; the second place is 3 % faster.
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
    first = drawn(0.8, 0.4, words)
    second = drawn(0.6, 0.3, words - first)
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
        "ranks": (first, second, words - first - second),
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


def exponents(data: dict[str, Any]) -> Floats:
    """Each person's exponent of practice under the first condition, fitted as `learning_curve` does."""
    rates = 12 * CHARS * PHRASES / data["seconds"][:, 0]
    blocks = range(1, BLOCKS + 1)
    return np.array([fit_power_law(blocks, own).x for own in rates.tolist()])


def truth(rng: np.random.Generator) -> dict[str, float]:
    """What persons of this truth have on average."""
    data = people_of(rng, TRUE_PEOPLE)
    measures = [group(data, i, 0).rates() for i in range(TRUE_PEOPLE)]
    found = {name: float(np.nanmean([one[name] for one in measures])) for name in METRICS}
    speed = 12 * CHARS * BLOCKS * PHRASES / data["seconds"].sum(axis=2)
    differences = speed[:, 1] - speed[:, 0]
    return found | {
        "difference": float(differences.mean()),
        "effect": float(differences.mean() / differences.std()),
        "exponent": float(exponents({"seconds": data["seconds"][:20_000]}).mean()),
        "first block": float((12 * CHARS * PHRASES / data["seconds"][:, 0, 0]).mean()),
    }


def over_persons(rng: np.random.Generator, n: int) -> Iterator[tuple[str, str, Estimate]]:
    """(interval, key of the truth, estimate) of one study of the counts above."""
    data = people_of(rng, n)
    rows = [group(data, i, 0).rates() for i in range(n)]
    for name in METRICS:
        values = [row[name] for row in rows if not math.isnan(row[name])]
        yield f"mean: {name}", name, over_people(values, bounds=metric_bounds(name))
    speed = 12 * CHARS * BLOCKS * PHRASES / data["seconds"].sum(axis=2)
    differences = (speed[:, 1] - speed[:, 0]).tolist()
    yield "paired difference of wpm", "difference", over_people(differences)
    yield "effect size d of it", "effect", paired_effect_size(differences)
    yield "mean exponent of practice", "exponent", over_people(exponents(data).tolist())
    first = (12 * CHARS * PHRASES / data["seconds"][:, 0, 0]).tolist()
    yield "learning curve: mean wpm of a block", "first block", over_people(first)


MIXED = StudyTruth(
    mean=12.0,
    sd_person=2.0,
    sd_condition=0.8,
    sd_phrase=0.6,
    sd_residual=1.5,
    learning=1.0,
    sd_learning=0.5,
    place=0.4,
)
MIXED_EFFECT = 1.2


def of_mixed_model(rng: np.random.Generator, n: int) -> Iterator[tuple[str, float, Estimate]]:
    """(interval, truth, estimate) of the fixed effects of one study."""
    data = draw_study(
        MIXED, effects=(0.0, MIXED_EFFECT), people=n, blocks=BLOCKS, phrases=PHRASES, rng=rng
    )
    told = {
        "c1 -> c2": MIXED_EFFECT,
        "block (per doubling)": MIXED.learning,
        "place (per place)": MIXED.place,
    }
    for one in fit_mixed_model(data).effects:
        shown = one.name.replace("c1 -> c2", "difference of conditions")
        yield f"mixed model: {shown}", told[one.name], one.estimate


def of_workload(rng: np.random.Generator, n: int) -> Iterator[tuple[str, str, Estimate]]:
    """(interval, key, estimate) of the workload scores of one study."""
    summary = workload_summary(
        workload_answer({"participant": f"p{i}", "condition": "pad", **ratings}, chosen=chosen)
        for i, (ratings, chosen) in enumerate(answers(rng, n))
    )
    for name in ("effort", "raw", "weighted"):
        yield f"workload: {name}", name, summary.conditions["pad"][name]


def answers(rng: np.random.Generator, n: int) -> list[tuple[dict[str, float], list[str]]]:
    """Invented answers: ratings in steps of five, and a choice of each pair."""
    from nearkey.study import WORKLOAD_PAIRS, WORKLOAD_SCALES

    level = rng.normal(45.0, 15.0, n)
    out = []
    for i in range(n):
        ratings = np.clip(5 * np.round(rng.normal(level[i], 12.0, 6) / 5), 0, 100)
        names = [scale.name for scale in WORKLOAD_SCALES]
        chosen = [pair[int(rng.random() < 0.5)] for pair in WORKLOAD_PAIRS]
        out.append((dict(zip(names, ratings.tolist(), strict=True)), chosen))
    return out


def workload_truth(rng: np.random.Generator) -> dict[str, float]:
    """Averages over many people's answers."""
    given = [
        workload_answer({"participant": "p", "condition": "pad", **ratings}, chosen=chosen)
        for ratings, chosen in answers(rng, 50_000)
    ]
    return {
        name: float(np.mean([getattr(one, name) for one in given]))
        for name in ("effort", "raw", "weighted")
    }


def one_person(rng: np.random.Generator) -> Iterator[tuple[str, float, Estimate]]:
    """(interval, truth, estimate) of one power law through eight independent blocks."""
    blocks = np.arange(1, 9)
    fit = fit_power_law(blocks, 10.4 * blocks**0.16 * np.exp(rng.normal(0, 0.05, 8)))
    yield "one person's power law: a", 10.4, Estimate(fit.a, fit.a_low, fit.a_high)
    yield "one person's power law: exponent", 0.16, Estimate(fit.x, fit.x_low, fit.x_high)


def count(
    draw: Callable[[], Iterator[tuple[str, Any, Estimate]]],
    studies: int,
    known: dict[str, float] | None,
) -> dict[str, Estimate]:
    """Interval -> share of studies whose interval held the truth, with Wilson's interval."""
    held: dict[str, int] = {}
    seen: dict[str, int] = {}
    for _ in range(studies):
        for name, told, estimate in draw():
            value = told if known is None else known[told]
            if math.isnan(estimate.low):
                continue  # nothing is printed there
            seen[name] = seen.get(name, 0) + 1
            held[name] = held.get(name, 0) + (estimate.low <= value <= estimate.high)
    return {name: proportion(held[name], n) for name, n in seen.items()}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--studies", type=int, default=3000)
    parser.add_argument("--mixed", type=int, default=1500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    known, ratings = truth(rng), workload_truth(rng)
    table: dict[str, dict[int, Estimate]] = {}
    for n in PEOPLE:
        found = count(lambda n=n: over_persons(rng, n), options.studies, known)  # type: ignore[misc]
        found |= count(lambda n=n: of_workload(rng, n), options.studies, ratings)  # type: ignore[misc]
        found |= count(lambda n=n: of_mixed_model(rng, n), options.mixed, None)  # type: ignore[misc]
        for name, share in found.items():
            table.setdefault(name, {})[n] = share
    rows = [[name, *(by_people[n] for n in PEOPLE)] for name, by_people in table.items()]
    for name, share in count(lambda: one_person(rng), options.studies, None).items():
        rows.append([name, share, None, None])
    save(
        "study_coverage",
        section(
            "How often the intervals of a study hold the truth",
            "python benchmarks/study/study_coverage.py",
            ["interval (95 %)", *(f"{n} people|%" for n in PEOPLE)],
            rows,
            order=85,
            notes=[
                f"{options.studies:,} studies drawn from an invented truth for each number of people, {options.mixed:,} for "
                "mixed-effects models; brackets: Wilson's interval of the share.",
                f"{BLOCKS} blocks of {PHRASES} phrases of {CHARS} characters under each of two conditions; persons differ in speed, "
                "slips, attention, learning, and in what a condition does to them; the later condition is faster.",
                "One person's power law has independent blocks; it stands under 4 people, though there is one.",
            ],
        ),
    )


if __name__ == "__main__":
    main()
