"""Figures of the search: the exact objective against slower ones, its growth, the rate of a search, and what came out.

python benchmarks/search/search_figures.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

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
from nearkey.simulate import collisions
from nearkey.touch import GaussianTouch

COMMAND = "python benchmarks/search/search_figures.py"
QWERTY = Layout.named("qwerty")
SPREAD_MM = 2.0


def cpu(work: Callable[[], Any], times: int) -> float:
    """Processor milliseconds of one call, the best of three."""
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        for _ in range(times):
            work()
        best = min(best, (time.process_time() - start) / times)
    return 1e3 * best


def counted(words: list[str], share: list[float], key: dict[str, str]) -> float:
    """The same share of words first on their keys, by a dictionary of key sequences."""
    table, seen, top = str.maketrans(key), set(), 0.0
    for word, p in zip(words, share, strict=True):
        code = word.translate(table)
        if code not in seen:
            seen.add(code)
            top += p
    return top


def main() -> None:
    pack = load_pack("en")
    spelled = ambiguity_words(pack, QWERTY.letters)
    space = grid_space(QWERTY, rows=2, columns=3, width_mm=18, height_mm=12)
    rng = np.random.default_rng(0)
    keys = space.array(space.draw(rng) for _ in range(1000))
    objective = AmbiguityObjective(spelled)
    found = objective.evaluate(space, keys)
    layouts = [space.layout(row) for row in keys.tolist()]
    worst = max(
        abs(collisions(layout, pack, spelled=spelled).top[1] - v)
        for layout, v in zip(layouts, found, strict=True)
    )
    words = ["".join(spelled.letters[c - 1] for c in row if c) for row in spelled.typed.tolist()]
    share = spelled.share.tolist()
    key = dict(zip(space.letters, (chr(48 + k) for k in keys[0].tolist()), strict=True))
    assert abs(counted(words, share, key) - found[0]) < 1e-9
    ours = cpu(lambda: objective.evaluate(space, keys[:100]), 1) / 100
    slow = cpu(lambda: counted(words, share, key), 2)
    simulators = cpu(lambda: collisions(layouts[0], pack, spelled=spelled), 3)
    anew = cpu(lambda: collisions(layouts[0], pack), 2)
    rows = [
        ["kernel, one layout", ours, 1.0],
        ["dictionary of key sequences in Python", slow, slow / ours],
        ["collisions, words spelled already", simulators, simulators / ours],
        ["collisions, words spelled anew", anew, anew / ours],
    ]
    parts = [
        section(
            "Search: exact ambiguity of one layout", COMMAND, "how; ms of a core|3; times the kernel's|1", rows, timed=True, order=80,
            notes=[f"{len(words):,} words, 6 keys. Largest difference to `collisions` on 1,000 random layouts: {worst:.1e}."],
        )
    ]  # fmt: skip
    growth = []
    for n in (1_000, 5_000, 20_000, 65_000):
        one = AmbiguityObjective(ambiguity_words(pack, QWERTY.letters, n))
        growth.append(
            [f"{n:,} words, 6 keys", cpu(lambda one=one: one.evaluate(space, keys[:100]), 1) / 100]
        )
    for rows_, columns in ((1, 2), (2, 2), (3, 3), (2, 8), (2, 13)):
        other = grid_space(QWERTY, rows=rows_, columns=columns)
        drawn = other.array(other.draw(rng) for _ in range(100))
        growth.append(
            [
                f"65,000 words, {rows_ * columns} keys",
                cpu(lambda o=other, d=drawn: objective.evaluate(o, d), 1) / 100,
            ]
        )
    parts.append(
        section(
            "Search: growth of the exact ambiguity",
            COMMAND,
            "size; ms of a core|3",
            growth,
            timed=True,
            order=81,
        )
    )
    # A search of free layouts: one worker, two processes.
    options = {"method": "anneal", "restarts": 4, "steps": 1500, "seed": 1}
    walls = []
    for workers in (1, 2):
        start = time.perf_counter()
        if workers == 1:
            *_, last = search_letters(space, [objective], options=LetterSearchOptions(**options))
        else:
            with ProcessPoolExecutor(2) as pool:
                *_, last = search_letters(
                    space, [objective], options=LetterSearchOptions(executor=pool, **options)
                )
        walls.append((time.perf_counter() - start, last))
    (one, first), (two, second) = walls
    assert np.array_equal(first.found.keys, second.found.keys)
    rate = first.evaluated / one
    parts.append(
        section(
            "Search: free 2 x 3 layouts", COMMAND, "workers; seconds|1; layouts a second|0; minutes for a million|1",
            [["1", one, rate, 1e6 / rate / 60], ["2 processes", two, second.evaluated / two, 1e6 / (second.evaluated / two) / 60]],
            notes=[f"{first.evaluated:,} layouts evaluated; the machine ran other work as well."], timed=True, order=82,
        )
    )  # fmt: skip
    parts.append(outcomes(pack, spelled))
    save("search", *parts)


def outcomes(pack: Any, spelled: Any) -> Any:
    """Best strict, ordered and free layouts: exact, in context, under noise."""
    rows = []
    objective = AmbiguityObjective(spelled)
    for n_rows in (2, 3):
        best = []
        for rule in ("strict", "ordered", "free"):
            free = rule == "free"
            space = grid_space(
                QWERTY, rows=n_rows, columns=3, rule=rule, width_mm=18, height_mm=12,
                rules=SpaceRules(symmetry="keys" if free else "none"),
            )  # fmt: skip
            how = "all listed"
            if rule == "ordered":
                *_, proof = prove(space, objective)
                keys, how = proof.best, f"proven in {proof.evaluated:,}"
                assert proof.proven
            else:
                settings = LetterSearchOptions(seed=1, restarts=6, steps=3000)
                *_, record = search_letters(space, [objective], options=settings)
                keys = tuple(record.found.keys[0].tolist())
                how = how if record.complete else f"annealed, {record.evaluated:,}"
            best.append((space, rule, keys, how, space.layout(keys, name=f"{rule} {n_rows} x 3")))
        race = race_layouts(
            [one[-1] for one in best], pack=pack, by="top1", words=4000, rounds=2, error=1e-9,
            touch=lambda layout: GaussianTouch.from_layout(layout, spread_mm=SPREAD_MM),
        )  # fmt: skip
        noisy = {row.layout.name: row.value for row in race}
        for space, rule, keys, how, layout in best:
            array = space.array([keys])
            groups = " ".join(key.letters for key in layout.letter_keys)
            value = noisy[layout.name]
            rows.append(
                [
                    f"{rule} {n_rows} x 3", groups, how, objective.evaluate(space, array)[0],
                    ContextObjective(pack, spelled).evaluate(space, array)[0], [value.value, value.low, value.high],
                ]
            )  # fmt: skip
    return section(
        "Search: what strictness costs",
        COMMAND,
        f"layout; letters; how; first, exact|%; first in context, exact|%; first under {SPREAD_MM:g} mm|%",
        rows,
        order=83,
        notes=[
            "Best by exact `top1` of the 65,000 words of the pack. Under noise: 12,000 drawn words, simulated touches with an invented "
            "spread on a pad of 18 x 12 mm, decoder without context."
        ],
    )


if __name__ == "__main__":
    main()
