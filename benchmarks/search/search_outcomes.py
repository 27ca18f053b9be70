"""What searches find: the best strict, ordered and free layouts, and that a proof says what the whole listing says.

python benchmarks/search/search_outcomes.py
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from sections import save, section

from nearkey.language import load_pack
from nearkey.layout import Layout
from nearkey.search import (
    AmbiguityObjective,
    ContextObjective,
    LetterSearchOptions,
    SpaceRules,
    ambiguity_words,
    grid_space,
    prove,
    race_layouts,
    search_letters,
)
from nearkey.simulate import rank_layouts
from nearkey.simulate.invented_hands import PLAUSIBLE_SD, PLAUSIBLE_TRAITS, HandTraits, invent_hands
from nearkey.simulate.people_ranking import LEFT_OUT
from nearkey.simulate.typing_people import InventedPeople
from nearkey.touch import GaussianTouch

QWERTY = Layout.named("qwerty")
SPREAD_MM = 2.0
PEOPLE = 8


def main() -> None:
    pack, touch = load_pack("en"), partial(GaussianTouch.from_layout, spread_mm=SPREAD_MM)
    objective = AmbiguityObjective(ambiguity_words(pack, QWERTY.letters))
    context = ContextObjective(pack, objective.spelled)
    traits = HandTraits(**{"spread_mm": SPREAD_MM, **PLAUSIBLE_TRAITS})
    people = InventedPeople(
        invent_hands(
            traits, PEOPLE, offset_sd_mm=0.5, spread_sd=0.12, traits_sd=PLAUSIBLE_SD, seed=0
        )
    )
    rows: list[list[Any]] = []
    checks: list[list[Any]] = []
    for n_rows in (2, 3):
        best = []
        for rule in ("strict", "ordered", "free"):
            free = rule == "free"
            space = grid_space(
                QWERTY, rows=n_rows, columns=3, rule=rule, width_mm=18, height_mm=12,
                rules=SpaceRules(symmetry="keys" if free else "none"),
            )  # fmt: skip
            options = LetterSearchOptions(seed=1, restarts=8, steps=12_000, kept=12)
            *_, record = search_letters(space, [objective], options=options)
            how = "all listed" if record.complete else f"annealed, {record.evaluated:,}"
            if rule == "ordered":
                start = time.process_time()
                *_, proof = prove(space, objective)
                checks.append(
                    [
                        f"ordered {n_rows} x 3", record.count, record.found.values[0, 0], proof.value,
                        "yes" if proof.proven else "no", proof.evaluated, time.process_time() - start,
                        "yes" if abs(proof.value - record.found.values[0, 0]) < 1e-12 else "NO",
                    ]
                )  # fmt: skip
            names = [f"{rule} {n_rows} x 3, {i + 1}." for i in range(len(record.found))]
            finalists = [
                space.layout(row, name=name)
                for row, name in zip(record.found.keys.tolist(), names, strict=True)
            ]
            first = finalists[0].name
            race = race_layouts(finalists, pack=pack, touch=touch, by="top1", words=2000, rounds=3)
            layout = race[0].layout
            row = record.found.keys[names.index(layout.name)]
            best.append((space, row, how, layout, record.found.values[0, 0], layout.name == first))
            print(rule, n_rows, layout.name, how, record.found.values[0, 0], flush=True)
        ranked = rank_layouts(
            [one[3] for one in best], pack=pack, touch=touch, by="top1", words=12_000,
            people=people, people_words=12_000, baseline=best[0][3].name,
        )  # fmt: skip
        left_out = next(one for one in ranked.conditions if one.condition == LEFT_OUT)
        for space, keys, how, layout, exact, _ in best:
            array = space.array([keys.tolist()])
            groups = " ".join(key.letters for key in layout.letter_keys)
            matched, person = ranked.row(layout.name), left_out.row(layout.name)
            to_strict = (
                person.to_baseline["top1"]
                if person.to_baseline and layout is not best[0][3]
                else None
            )
            rows.append(
                [
                    layout.name, groups, how, exact, objective.evaluate(space, array)[0],
                    context.evaluate(space, array)[0], tuple(matched.top1),
                    tuple(person.values["top1"]), None if to_strict is None else tuple(to_strict),
                ]
            )  # fmt: skip
    save(
        "search_outcomes",
        section(
            "Search: what strictness costs",
            "layout; letters; how; best of its rule, exact|%; this one, exact|%; in context, exact|%; "
            f"under {SPREAD_MM:g} mm|%; by people left out|%; to strict, by people|%",
            rows,
            order=83,
            notes=[
                f"Share of words first of their keys. The 12 best of each rule by exact `top1` ({len(pack.lexicon.words):,} words of the pack) were "
                "raced through the decoder; the first of the race is shown. In context: after the 500 most probable words, by the "
                f"pack's pairs. Under noise: 12,000 drawn words, a simulated hand with an invented spread of {SPREAD_MM:g} mm on a "
                f"pad of 18 x 12 mm which the decoder knows. By people: {PEOPLE} invented people, the decoder fitted on the "
                "others; intervals over people, and of the paired difference."
            ],
        ),
        section(
            "Search: proof and whole listing",
            "space; layouts; best of the listing|6; proven best|6; proven; evaluations of the proof; seconds of the proof|1; equal",
            checks,
            timed=True,
            order=84,
        ),
    )


if __name__ == "__main__":
    main()
