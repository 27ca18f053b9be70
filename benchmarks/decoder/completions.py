"""Unfinished words in the live list: whether the language model knows that a word goes on, and what the first place
costs and spares.

    NEARKEY_DATA=... python benchmarks/decoder/completions.py

Deterministic: the same figures on every machine.
"""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harness import options
from run import Bench, Skipped
from scenarios import PAD_MM, SEED, SPREADS_MM, TEXTS, Scenario, layout_of
from sections import Cell, Section, save, section

import nearkey as nk
from nearkey.intervals import Estimate, paired_difference
from nearkey.simulate.completion import completion_savings
from nearkey.simulate.decoders import OwnDecoder
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.trial import TypedWords, type_workload

LAYOUTS = ("q26", "e161", "g2x3", "g1x5")
SPREAD = "s10"
LISTED = 300
"""Readings that stand for all when probabilities are summed."""


@dataclass(frozen=True)
class Case:
    """Words typed on one layout."""

    name: str
    decoder: nk.Decoder
    typed: TypedWords
    words: list[str]

    def each(self) -> list[tuple[Any, Any]]:
        """Touches of each word, and the language model's state before it: None where words are drawn one by one."""
        queries = self.typed.queries
        states = queries.states or [None] * len(self.words)
        return [(queries.touches(i), states[i]) for i in range(len(self.words))]


def cases(bench: Bench, words: int) -> Iterator[Case]:
    """Every text on every layout."""
    pack = bench.pack("en")  # which keeps its vectors
    for text in TEXTS["en"]:
        for name in LAYOUTS:
            scenario = Scenario("en", name, SPREAD, text)
            layout = layout_of(name, *PAD_MM)
            touch = nk.GaussianTouch.from_layout(layout, spread_mm=SPREADS_MM[SPREAD])
            try:
                work = bench.workload(scenario, layout.letters)
            except Skipped as why:
                print(f"{scenario.id} skipped: {why}", file=sys.stderr)
                continue
            typed = type_workload(layout, touch, work, seed=SEED).head(words)
            decoder = nk.Decoder(layout, touch, pack, edits=nk.EditCosts.typical(layout))
            yield Case(scenario.id, decoder, typed, [work.text(i) for i in range(words)])


def right(case: Case, decoder: nk.Decoder) -> np.ndarray:
    """Whether a space after the last touch takes the word that was meant, (n,)."""
    lists = (decoder.candidates(touches, context=state, k=5) for touches, state in case.each())
    return np.asarray(
        [bool(x) and x[0].word == w for x, w in zip(lists, case.words, strict=True)], float
    )


def place_row(case: Case) -> list[Cell]:
    """One case: without completions, in the order of scores, and as the list is."""
    costs = case.decoder.edits
    by_score = case.decoder.with_edits(replace(costs, completion_first=costs.completion))
    without = case.decoder.with_edits(replace(costs, completion=None))
    queries, spelled = case.typed.queries, case.typed.spelled

    def spared(decoder: nk.Decoder, selection: Selection) -> Estimate:
        return completion_savings(
            OwnDecoder(decoder), queries, case.words, spelled, selection
        ).spared

    shipped = right(case, case.decoder)
    scored = right(case, by_score)
    row: list[Cell] = [case.name, len(case.words), float(right(case, without).mean())]
    row += [float(scored.mean()), float(shipped.mean()), list(paired_difference(shipped, scored))]
    for selection in (Selection("next", 5), Selection("tap", 3)):
        row += [spared(by_score, selection).value, list(spared(case.decoder, selection))]
    print(*row, sep="\t", file=sys.stderr, flush=True)
    return row


def places(found: list[list[Cell]]) -> Section:
    """What the first place gives and takes."""
    return section(
        "Unfinished words and the first place of the list",
        (
            "scenario; words; a space is right, no completions|%; in order of score|%; "
            "as it is|%; gain|%; spared, next presses, in order of score|%; as it is|%; "
            "spared, one tap, list of three, in order of score|%; as it is|%"
        ),
        found,
        notes=[
            "A space is right: after the last touch the first of the list is the word meant. Spared: keystrokes of a person who "
            "takes each word where that is shortest, against the same list without completions. As it is: an unfinished "
            "word is first only where it is twenty times as probable as the best finished reading.",
            f"Costs EditCosts.typical, spread {SPREADS_MM[SPREAD]:g} mm, seed {SEED}; ids as in the scenarios. Intervals are over words.",
        ],
        order=15,
    )


def going_on(found: list[Case]) -> Section:
    """Whether words go on as often as the language model says, by touches so far."""
    goes: dict[tuple[str, int], list[tuple[float, float]]] = defaultdict(list)
    for case in found:
        even = case.decoder.with_edits(nk.EditCosts(completion=0.0))
        kind = "26 keys" if ".q26." in case.name else "grouped keys"
        for i, (touches, state) in enumerate(case.each()):
            if len(touches) != case.typed.touches[i]:
                continue  # a slip onto space or delete cut the word, or joined two
            for n in range(1, len(touches) + 1):
                shown = even.decode(touches[:n], context=state, k=LISTED, completions=True)
                if not shown:
                    continue
                share = np.exp([c.log_prob - shown[0].log_prob for c in shown])
                on = np.asarray([c.kind == "completion" for c in shown])
                said = float(share[on].sum() / share.sum())
                goes[kind, min(n, 6)].append((said, float(n < len(touches))))
    rows: list[list[Cell]] = []
    for (kind, n), pairs in sorted(goes.items()):
        said, true = np.asarray(pairs).T
        gap = paired_difference(true, said)
        rows.append([kind, n, len(pairs), float(said.mean()), float(true.mean()), list(gap)])
    return section(
        "Does the word go on?",
        (
            "layouts; touches (6: and more); moments; the model's probability that it does|%; "
            "it did|%; difference|%"
        ),
        rows,
        notes=[
            f"The texts, layouts and words of the section before; readings without edits, unfinished words at no cost, the first {LISTED} for all; "
            "words that no slip onto space or delete has changed. "
            "Moments of one word are not independent, so the intervals are too narrow.",
        ],
        order=15,
    )


def main() -> None:
    moments = (150, "words for the second table")
    asked = options(__doc__, words=600, moments_of=moments)
    folder = os.environ.get("NEARKEY_DATA")
    bench = Bench(Path(folder) if folder else None, 1)
    found = list(cases(bench, asked.words))
    rows = [place_row(case) for case in found]
    few = [
        replace(c, typed=c.typed.head(asked.moments_of), words=c.words[: asked.moments_of])
        for c in found
    ]
    save("quality_completions", places(rows), going_on(few))


if __name__ == "__main__":
    main()
