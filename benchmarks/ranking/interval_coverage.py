"""Coverage of the intervals of rankings, and how often equal layouts are declared apart: simulated.

python benchmarks/ranking/interval_coverage.py [repetitions]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sections import save_section

from nearkey.intervals import (
    Estimate,
    design_effect,
    mean,
    mean_over_people,
    paired_difference,
    paired_proportions,
    proportion,
    with_a_control,
    with_the_best,
)

LAYOUTS = 49
Generator = np.random.Generator


def words_of_equal_layouts(rng: Generator, words: int, layouts: int = LAYOUTS) -> np.ndarray:
    """Hits (words, layouts) of layouts of one accuracy, about nine words in ten alike on all of them."""
    easy = rng.random((words, 1)) < 0.88
    own = rng.random((words, layouts)) < 0.85
    differs = rng.random((words, layouts)) < 0.12
    return np.where(differs, own, easy).astype(np.float64)


def people_on_equal_layouts(rng: Generator, people: int, layouts: int) -> np.ndarray:
    """Accuracies (people, layouts): people differ, layouts do not."""
    return rng.normal(0.88, 0.04, (people, 1)) + rng.normal(0, 0.015, (people, layouts))


def shares(repetitions: int, once: Callable[..., tuple[float, ...]], *given: Any) -> list[float]:
    """How often each of what one repetition finds is so, `once` called with what is `given`."""
    return np.mean([once(*given) for _ in range(repetitions)], axis=0).tolist()


def holds(interval: Estimate, true: float) -> bool:
    return interval.low <= true <= interval.high


def hits_hold(hits: np.ndarray, true: float, different: float | None = None) -> bool:
    return holds(proportion(int(hits.sum()), len(hits), different=different), true)


def best_kept(units: Callable[[], np.ndarray]) -> tuple[float, ...]:
    """Whether the layout that is one of the best, told beforehand, is among those that may be the best; how many of
    the others are declared not the best with it, and whether the leader is declared to beat the first layout."""
    drawn = units()
    found = with_the_best(drawn)
    leader = int(drawn.mean(axis=0).argmax())
    apart = float(np.mean([not one.may_be_best for one in found]))
    return found[0].may_be_best, apart, with_a_control(drawn, 0)[leader].low > 0


def all_hold(units: Callable[[], np.ndarray]) -> tuple[float, ...]:
    """Whether the differences of all layouts to the baseline, which are 0, all lie in their intervals."""
    return (all(holds(e, 0.0) for e in with_a_control(units(), 0)),)


def pairs_apart(rng: Generator) -> tuple[float, ...]:
    """The old way: each layout against the leader with its own 95 % interval."""
    drawn = words_of_equal_layouts(rng, 2000)
    leader = int(drawn.mean(axis=0).argmax())
    beaten = [paired_difference(drawn[:, leader], other).low > 0 for other in drawn.T]
    return float(np.mean(np.delete(beaten, leader))), leader != 0 and beaten[0]


def paired_shares(rng: Generator, words: int, discordant: float, gap: float) -> tuple[float, ...]:
    """Coverage of Tango's interval and of the normal one for a true gap at a share of discordant words."""
    first, second = (discordant + gap) / 2, (discordant - gap) / 2
    one, two, _ = rng.multinomial(words, [first, second, 1 - discordant])
    values = np.zeros(words)
    values[:one], values[one : one + two] = 1, -1
    normal = paired_difference(values, np.zeros(words))
    return holds(paired_proportions(int(one), int(two), words), gap), holds(normal, gap)


def over_people(rng: Generator, people: int) -> tuple[float, ...]:
    """Coverage of Student's t and of the normal interval over people."""
    values = rng.normal(0.02, 0.03, people)
    return holds(mean_over_people(values), 0.02), holds(mean(values), 0.02)


def words_that_run_on(rng: Generator, lines: int) -> tuple[float, ...]:
    """Coverage of a share over lines of 12 words, each line with a difficulty of its own: with and without the design
    effect."""
    line = np.repeat(np.arange(lines), 12)
    level = rng.beta(17, 3, lines)
    hits = (rng.random(12 * lines) < level[line]).astype(np.float64)
    return hits_hold(hits, 0.85, len(hits) / design_effect(hits, line)), hits_hold(hits, 0.85)


def chosen_on_a_half(rng: Generator) -> tuple[float, ...]:
    """Coverage of the leader's accuracy where it is chosen on one half and estimated on the other, and on all words."""
    true = 0.88 * 0.88 + 0.12 * 0.85
    drawn = words_of_equal_layouts(rng, 2000)
    leader, best = (int(part.mean(axis=0).argmax()) for part in (drawn[:1000], drawn))
    return hits_hold(drawn[1000:, leader], true), hits_hold(drawn[:, best], true)


def main() -> None:
    repetitions = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    cheap = 10 * repetitions
    rng = np.random.default_rng(0)
    rows: list[list[object]] = []
    for name, often, units in (
        (f"{LAYOUTS} equal layouts, 2,000 words", repetitions, lambda: words_of_equal_layouts(rng, 2000)),
        ("20 equal layouts, 8 people", 2 * repetitions, lambda: people_on_equal_layouts(rng, 8, 20)),
        ("5 equal layouts, 4 people", cheap, lambda: people_on_equal_layouts(rng, 4, 5)),
    ):  # fmt: skip
        kept, apart, beats = shares(often, best_kept, units)
        (held,) = shares(often, all_hold, units)
        rows.append(["best among those that may be the best (Hsu)", name, often, kept, None])
        rows.append(["all differences to the baseline (Dunnett)", name, often, held, None])
        old = shares(often, pairs_apart, rng) if "words" in name else [None, None]
        rows.append(["equal layouts declared not the best", name, often, apart, old[0]])
        rows.append(["the leader declared to beat its equal", name, often, beats, old[1]])

    def add(what: str, simulated: str, once: Callable[..., tuple[float, ...]], *given: Any) -> None:
        rows.append([what, simulated, cheap, *shares(cheap, once, rng, *given)])

    for words, discordant, gap in (
        (1000, 0.007, 0.0),
        (1000, 0.007, 0.003),
        (1000, 0.05, 0.02),
        (20_000, 0.007, 0.001),
    ):
        name = f"{words:,} words, {100 * discordant:g} % differ, gap {100 * gap:g} points"
        what = "paired difference of shares (Tango; normal)"
        add(what, name, paired_shares, words, discordant, gap)
    for people in (4, 8, 16):
        add("mean over people (Student; normal)", f"{people} people", over_people, people)
    for lines in (40, 200):
        what = "share of running words (design effect; none)"
        add(what, f"{lines} lines", words_that_run_on, lines)
    what = "the leader's accuracy (chosen on the other half; on the same words)"
    add(what, f"{LAYOUTS} equal layouts", chosen_on_a_half)
    save_section(
        "ranking_coverage",
        "Rankings: do the intervals hold?",
        "what; simulated; repetitions; nearkey|3; the usual way|3",
        rows,
        order=92,
        notes=[
            "Wanted: 0.95 for the intervals. Layouts, words and people are invented and truly equal where it says so. "
            "The usual way: each pair by its own normal interval, intervals over people by the normal quantile, words "
            "taken as independent, the leader measured on the words that chose it.",
            "Declared not the best: each layout by itself has 0.05; the leader beats its equal is an error of the "
            "whole comparison and has 0.05 at most.",
        ],
    )


if __name__ == "__main__":
    main()
