"""Coverage of the intervals of rankings, and how often equal layouts are declared apart: simulated.

python benchmarks/ranking/interval_coverage.py [repetitions]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sections import save, section

from nearkey.intervals import (
    Z95,
    design_effect,
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


def share_best_kept(units: Callable[[], np.ndarray], repetitions: int) -> list[float]:
    """How often the layout that is one of the best, told beforehand, is among those that may be the best; how many of
    the others are declared not the best with it, and how often the leader is declared to beat the first layout."""
    kept, apart, beats = 0, 0.0, 0
    for _ in range(repetitions):
        drawn = units()
        found = with_the_best(drawn)
        kept += found[0].may_be_best
        apart += np.mean([not one.may_be_best for one in found])
        controlled = with_a_control(drawn, 0)
        leader = int(drawn.mean(axis=0).argmax())
        beats += controlled[leader].low > 0
    return [kept / repetitions, apart / repetitions, beats / repetitions]


def share_all_hold(units: Callable[[], np.ndarray], repetitions: int) -> float:
    """How often the differences of all layouts to the baseline, which are 0, all lie in their intervals."""
    return float(
        np.mean(
            [
                all(e.low <= 0 <= e.high for e in with_a_control(units(), 0))
                for _ in range(repetitions)
            ]
        )
    )


def pairs_apart(rng: Generator, repetitions: int) -> list[float]:
    """The old way: each layout against the leader with its own 95 % interval."""
    apart, beats = 0.0, 0
    for _ in range(repetitions):
        drawn = words_of_equal_layouts(rng, 2000)
        leader = int(drawn.mean(axis=0).argmax())
        found = [
            paired_difference(drawn[:, leader], drawn[:, i]).low > 0
            for i in range(LAYOUTS)
            if i != leader
        ]
        apart += np.mean(found)
        beats += leader != 0 and paired_difference(drawn[:, leader], drawn[:, 0]).low > 0
    return [apart / repetitions, beats / repetitions]


def paired_shares(
    rng: Generator, words: int, discordant: float, gap: float, repetitions: int
) -> list[float]:
    """Coverage of Tango's interval and of the normal one for a true gap at a share of discordant words."""
    tango = normal = 0
    first, second = (discordant + gap) / 2, (discordant - gap) / 2
    for _ in range(repetitions):
        one, two, _ = rng.multinomial(words, [first, second, 1 - discordant])
        found = paired_proportions(int(one), int(two), words)
        tango += found.low <= gap <= found.high
        values = np.zeros(words)
        values[:one], values[one : one + two] = 1, -1
        old = paired_difference(values, np.zeros(words))
        normal += old.low <= gap <= old.high
    return [tango / repetitions, normal / repetitions]


def over_people(rng: Generator, people: int, repetitions: int) -> list[float]:
    """Coverage of Student's t and of the normal interval over people."""
    student = normal = 0
    for _ in range(repetitions):
        values = rng.normal(0.02, 0.03, people)
        found = mean_over_people(values)
        student += found.low <= 0.02 <= found.high
        half = Z95 * values.std(ddof=1) / np.sqrt(people)
        normal += abs(values.mean() - 0.02) <= half
    return [student / repetitions, normal / repetitions]


def words_that_run_on(rng: Generator, lines: int, repetitions: int) -> list[float]:
    """Coverage of a share over lines of 12 words, each line with a difficulty of its own: with and without the design
    effect."""
    with_effect = without = 0
    for _ in range(repetitions):
        line = np.repeat(np.arange(lines), 12)
        level = rng.beta(17, 3, lines)
        hits = (rng.random(12 * lines) < level[line]).astype(np.float64)
        n = len(hits)
        told = proportion(int(hits.sum()), n, different=n / design_effect(hits, line))
        plain = proportion(int(hits.sum()), n)
        with_effect += told.low <= 0.85 <= told.high
        without += plain.low <= 0.85 <= plain.high
    return [with_effect / repetitions, without / repetitions]


def chosen_on_a_half(rng: Generator, repetitions: int) -> list[float]:
    """Coverage of the leader's accuracy where it is chosen on one half and estimated on the other, and on all words."""
    halves = whole = 0
    true = 0.88 * 0.88 + 0.12 * 0.85
    for _ in range(repetitions):
        drawn = words_of_equal_layouts(rng, 2000)
        leader = int(drawn[:1000].mean(axis=0).argmax())
        other = drawn[1000:, leader]
        found = proportion(int(other.sum()), len(other))
        halves += found.low <= true <= found.high
        best = drawn[:, int(drawn.mean(axis=0).argmax())]
        found = proportion(int(best.sum()), len(best))
        whole += found.low <= true <= found.high
    return [halves / repetitions, whole / repetitions]


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
        kept, apart, beats = share_best_kept(units, often)
        held = share_all_hold(units, often)
        rows.append(["best among those that may be the best (Hsu)", name, often, kept, None])
        rows.append(["all differences to the baseline (Dunnett)", name, often, held, None])
        old = pairs_apart(rng, often) if "words" in name else [None, None]
        rows.append(["equal layouts declared not the best", name, often, apart, old[0]])
        rows.append(["the leader declared to beat its equal", name, often, beats, old[1]])
    for words, discordant, gap in (
        (1000, 0.007, 0.0),
        (1000, 0.007, 0.003),
        (1000, 0.05, 0.02),
        (20_000, 0.007, 0.001),
    ):
        found = paired_shares(rng, words, discordant, gap, cheap)
        name = f"{words:,} words, {100 * discordant:g} % differ, gap {100 * gap:g} points"
        rows.append(["paired difference of shares (Tango; normal)", name, cheap, *found])
    for people in (4, 8, 16):
        found = over_people(rng, people, cheap)
        rows.append(["mean over people (Student; normal)", f"{people} people", cheap, *found])
    for lines in (40, 200):
        found = words_that_run_on(rng, lines, cheap)
        rows.append(
            ["share of running words (design effect; none)", f"{lines} lines", cheap, *found]
        )
    found = chosen_on_a_half(rng, cheap)
    rows.append(
        [
            "the leader's accuracy (chosen on the other half; on the same words)",
            f"{LAYOUTS} equal layouts",
            cheap,
            *found,
        ]
    )
    save(
        "ranking_coverage",
        section(
            "Rankings: do the intervals hold?",
            "python benchmarks/ranking/interval_coverage.py",
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
        ),
    )


if __name__ == "__main__":
    main()
