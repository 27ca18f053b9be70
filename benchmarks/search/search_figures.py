"""How quick searches are: the exact objective against slower ones, its growth, layouts near one at hand, whole searches,
and workers of every kind.

python benchmarks/search/search_figures.py (on a machine at rest, about 6 minutes)
python benchmarks/search/search_figures.py --parts million (the same, about 5 minutes)
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import distributed
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from harness import options
from sections import PagePicture, save, saved_picture, section

from nearkey import _kernel
from nearkey.language import load_pack
from nearkey.layout import Layout, grid_layouts
from nearkey.report.style import new_figure, styled
from nearkey.search import (
    AmbiguityObjective,
    LetterSearchOptions,
    ambiguity_words,
    grid_space,
    search_letters,
)
from nearkey.simulate import collisions, rank_layouts
from nearkey.touch import GaussianTouch

QWERTY = Layout.named("qwerty")
NOTE = "Processor time of one core, the best of three."


def cpu(work: Callable[[], Any], times: int = 1) -> float:
    """Processor milliseconds of one call, the best of three."""
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        for _ in range(times):
            work()
        best = min(best, (time.process_time() - start) / times)
    return 1e3 * best


def wall(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds on the clock, and what came out."""
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def counted(words: list[str], share: list[float], key: dict[str, str]) -> float:
    """The share of words first on their keys, by a set of key sequences."""
    table, seen, top = str.maketrans(key), set(), 0.0
    for word, p in zip(words, share, strict=True):
        code = word.translate(table)
        if code not in seen:
            seen.add(code)
            top += p
    return top


def counted_plainly(words: list[str], share: list[float], key: dict[str, str]) -> float:
    """The share of words first on their keys, as one writes it down: a code made letter by letter, counted in a dict."""
    seen: dict[str, int] = {}
    top = 0.0
    for word, p in zip(words, share, strict=True):
        code = "".join(key[letter] for letter in word)
        seen[code] = seen.get(code, 0) + 1
        if seen[code] == 1:
            top += p
    return top


def counted_all(words: list[str], share: list[float], key: dict[str, str]) -> list[float]:
    """What the kernel gives in one call, by a dictionary of key sequences: first, among the first three, words above."""
    table, seen, first, third, above = str.maketrans(key), dict[str, int](), 0.0, 0.0, 0.0
    for word, p in zip(words, share, strict=True):
        code = word.translate(table)
        n = seen.get(code, 0)
        seen[code] = n + 1
        above += p * n
        if n < 3:
            third += p
            if n < 1:
                first += p
    return [first, third, above]


def main() -> None:
    asked = options(
        __doc__,
        apart=["million"],
        parts=["one", "growth", "near", "search", "rank"],
        steps=(12_000, "of each annealing run"),
        few_words=(6_000, "of the smaller ranking"),
        many_words=(120_000, "of the larger ranking"),
    )
    pack = load_pack("en")
    spelled = ambiguity_words(pack, QWERTY.letters)
    space = grid_space(QWERTY, rows=2, columns=3, width_mm=18, height_mm=12)
    objective = AmbiguityObjective(spelled)
    rng = np.random.default_rng(0)
    keys = space.array(space.draw(rng) for _ in range(1000))
    best = search(space, objective, steps=1500, restarts=1, seed=1).found.keys[0]
    made = {
        "one": lambda: one_layout(pack, space, objective, keys),
        "growth": lambda: growth(pack, objective, rng),
        "near": lambda: near(objective, space, {"drawn": keys[0], "found by a search": best}),
        "search": lambda: searches(space, objective, asked.steps),
        "rank": lambda: ranking(pack, (asked.few_words, asked.many_words)),
        "million": lambda: million(space, objective, asked.steps),
    }
    parts = [make() for name, make in made.items() if name in asked.parts]
    for part in parts:
        print(part.title, *part.rows, sep="\n  ")
    if asked.parts == ["million"]:
        save("search_million", *parts)
    elif len(parts) == len(made) - 1:
        save("search_speed", *parts)


def one_layout(pack: Any, space: Any, objective: Any, keys: Any) -> Any:
    """The kernel, Python and `collisions`."""
    spelled = objective.spelled
    found = [AmbiguityObjective(spelled, m).evaluate(space, keys) for m in ("top1", "top3")]
    worst = 0.0
    for i, row in enumerate(keys.tolist()):
        exact = collisions(space.layout(row), pack, spelled=spelled)
        worst = max(
            worst, *(abs(exact.top[n] - values[i]) for n, values in zip((1, 3), found, strict=True))
        )
    words = ["".join(spelled.letters[c - 1] for c in row if c) for row in spelled.typed.tolist()]
    share = spelled.share.tolist()
    key = dict(zip(space.letters, (chr(48 + k) for k in keys[0].tolist()), strict=True))
    assert abs(counted(words, share, key) - found[0][0]) < 1e-9
    assert abs(counted_plainly(words, share, key) - found[0][0]) < 1e-9
    assert np.allclose(counted_all(words, share, key)[:2], [found[0][0], found[1][0]], atol=1e-9)
    layout = space.layout(keys[0].tolist())
    ours = cpu(lambda: objective.evaluate(space, keys[:200])) / 200
    threads = AmbiguityObjective(spelled, threads=2)
    two = 1e3 * min(wall(lambda: threads.evaluate(space, keys))[0] for _ in range(3)) / 1000
    rows = [
        ["kernel, one layout: the three measures", ours],
        ["kernel, a batch over two threads, on the clock", two],
        ["dictionary of codes in Python, each joined letter by letter, first alone", cpu(lambda: counted_plainly(words, share, key), 2)],
        ["set of codes in Python, each by `str.translate`, first alone", cpu(lambda: counted(words, share, key), 2)],
        ["dictionary of codes in Python, each by `str.translate`, the three measures", cpu(lambda: counted_all(words, share, key), 2)],
        ["`collisions`, words spelled already", cpu(lambda: collisions(layout, pack, spelled=spelled), 3)],
        ["`collisions` as it is called", cpu(lambda: collisions(layout, pack), 2)],
    ]  # fmt: skip
    return section(
        "Search: exact ambiguity of one layout", "how; ms|3; times the kernel's|1",
        [[name, value, value / ours] for name, value in rows], timed=True, order=80,
        notes=[f"{len(words):,} words, 6 keys. {NOTE} Largest difference to `collisions` on 1,000 drawn layouts, first and among "
               f"the first three: {worst:.1e}."],
    )  # fmt: skip


def growth(pack: Any, objective: Any, rng: Any) -> Any:
    """Over words, keys, letters."""
    rows = []
    space = grid_space(QWERTY, rows=2, columns=3)
    keys = space.array(space.draw(rng) for _ in range(100))
    for n in (1_000, 2_000, 4_000, 8_000, 16_000, 32_000, 65_000):
        one = AmbiguityObjective(ambiguity_words(pack, QWERTY.letters, n))
        rows.append(["words", n, 6, 26, 1, cpu(lambda one=one: one.evaluate(space, keys)) / 100])
    for n_rows, columns in ((1, 2), (1, 3), (2, 2), (3, 3), (2, 8), (2, 13)):
        other = grid_space(QWERTY, rows=n_rows, columns=columns)
        drawn = other.array(other.draw(rng) for _ in range(100))
        took = cpu(lambda o=other, d=drawn: objective.evaluate(o, d)) / 100
        rows.append(["keys", 65_000, n_rows * columns, 26, 1, took])
    lengths = np.clip(rng.poisson(8, 65_000), 1, 20)
    share = np.sort(rng.dirichlet(np.full(65_000, 0.1)))[::-1].copy()
    for letters in (16, 26, 31, 40, 60):
        typed = np.zeros((65_000, 20), np.uint8)
        for i, length in enumerate(lengths.tolist()):
            typed[i, :length] = rng.integers(1, letters + 1, length)
        words = _kernel.AmbiguityWords(typed, share, letters)
        drawn = rng.integers(0, 6, (100, letters)).astype(np.uint8)
        rows.append(
            ["letters", 65_000, 6, letters, 1, cpu(lambda w=words, d=drawn: w.evaluate(d, 6)) / 100]
        )
    keys = space.array(space.draw(rng) for _ in range(1000))
    for n in (1, 2, 3, 4):
        some = AmbiguityObjective(objective.spelled, threads=n)
        some.evaluate(space, keys[:10])
        took = min(wall(lambda o=some: o.evaluate(space, keys))[0] for _ in range(3))
        rows.append(["threads", 65_000, 6, 26, n, took])
    return section(
        "Search: growth of the exact ambiguity", "over; words; keys; letters; threads; ms|3", rows,
        timed=True, order=81, pictures=[draw(rows)],
        notes=[f"{NOTE} Over letters: invented words of random letters, drawn layouts; else the English pack. Over threads: the "
               "clock's time of a batch of 1,000, for one layout."],
    )  # fmt: skip


def draw(rows: list[list[Any]]) -> PagePicture:
    """A panel for each of what grows."""
    with styled():
        figure = new_figure(11, 2.8)
        panels = figure.subplots(1, 4, sharey=True)
        for place, (axes, name) in enumerate(
            zip(panels, ("words", "keys", "letters", "threads"), strict=True), start=1
        ):
            own = [row for row in rows if row[0] == name]
            axes.plot([row[place] for row in own], [row[-1] for row in own], marker="o")
            axes.set_xlabel(name)
            axes.grid(True)
        panels[0].set_ylim(bottom=0)  # of all, once all are drawn
        panels[0].set_ylabel("ms a layout")
    caption = "Milliseconds to evaluate one layout, over words, keys, letters and threads."
    return saved_picture(figure, "search_growth.png", caption)


def near(objective: Any, space: Any, at: dict[str, Any]) -> Any:
    """Layouts that differ from one in a letter, or in two that change places."""
    columns = [space.letters.index(c) for c in objective.spelled.letters]
    words = objective._words
    typed = objective.spelled.share @ np.stack(
        [(objective.spelled.typed == i + 1).sum(axis=1) for i in range(26)], axis=1
    )
    rows = []
    for name, drawn in at.items():
        here = np.ascontiguousarray(drawn[columns])
        other = here.copy()
        other[0] = (other[0] + 1) % 6
        moved = [(i, k) for i in range(26) for k in range(6) if k != here[i]]
        single = np.repeat(here[None], len(moved), axis=0)
        for row, (i, k) in zip(single, moved, strict=True):
            row[i] = k
        swaps = [(i, j) for i in range(26) for j in range(i) if here[i] != here[j]]
        swapped = np.repeat(here[None], len(swaps), axis=0)
        for row, (i, j) in zip(swapped, swaps, strict=True):
            row[[i, j]] = row[[j, i]]
        whole = cpu(lambda s=single: words.evaluate(s, 6)) / len(single)
        found = words.evaluate(single, 6)
        cost = 1.0 - words.evaluate(here[None], 6)[0, 0]
        rows.append([name, "whole evaluation, the three measures", whole, 1.0])

        def took(
            many: Any,
            most: float,
            told: Any,
            each: bool = False,
            here: Any = here,
            other: Any = other,
        ) -> float:
            # From another layout, so that what is known of the letters of this one is found anew each time.
            parts = many[:, None] if each else many[None]
            begun = (
                cpu(lambda: (told.bound(other, many[:0], 1.0), told.bound(here, many[:0], 1.0))) / 2
            )
            both = cpu(
                lambda: (
                    told.bound(other, many[:0], 1.0),
                    [told.bound(here, part, most) for part in parts],
                )
            )
            return (both - 2 * begun) / len(many)

        costs = {"top1": 1.0 - found[:, 0], "top3": 1.0 - found[:, 1], "above": found[:, 2]}
        for measure, expected in reversed(costs.items()):
            told = _kernel.NearLayouts(words, 6, measure)
            exact = told.bound(here, single, np.inf)
            assert np.allclose(exact, expected, atol=1e-12, rtol=0)
            value = took(single, np.inf, told)
            rows.append([name, f"a letter moved, exact {measure}", value, whole / value])
        for what, value in (
            ("a letter moved, exact top1, each asked alone", took(single, np.inf, told, True)),
            ("a letter moved: better or not", took(single, cost, told)),
            ("a letter moved: within a tenth of a point", took(single, cost + 1e-3, told)),
            ("two letters swapped: better or not", took(swapped, cost, told)),
        ):
            rows.append([name, what, value, whole / value])
        own = [took(single[[i == letter for i, _ in moved]], cost, told) for letter in range(26)]
        value = float(np.average(own, weights=typed))
        rows.append(
            [name, "a letter moved: better or not, letters as often as typed", value, whole / value]
        )
    return section(
        "Search: layouts near one at hand", "at a layout; what; ms|4; times cheaper|1", rows, timed=True, order=80,
        notes=[f"Six keys, {objective.spelled.n_words:,} words, every move once, all of them asked together but where it says alone; what is known of each letter at the layout at hand is found anew and counted. To go to "
               f"another layout takes {cpu(lambda: (told.bound(other, single[:0], 1.0), told.bound(here, single[:0], 1.0))) / 2:.2f} ms."],
    )  # fmt: skip


def search(space: Any, objective: Any, **options: Any) -> Any:
    """Annealed free layouts."""
    *_, last = search_letters(
        space, [objective], options=LetterSearchOptions(method="anneal", **options)
    )
    return last


def searches(space: Any, objective: Any, steps: int) -> Any:
    """A search of free layouts with workers of every kind."""
    options = {"restarts": 8, "steps": steps, "seed": 1}
    alone, first = wall(lambda: search(space, objective, **options))
    rows = [["one", alone, 1.0, first.evaluated / alone, 1e6 / (first.evaluated / alone) / 60]]

    def add(name: str, **workers: Any) -> None:
        took, last = wall(lambda: search(space, objective, **options, **workers))
        assert np.array_equal(first.found.keys, last.found.keys)
        rate = last.evaluated / took
        rows.append([name, took, alone / took, rate, 1e6 / rate / 60])

    add("two threads", workers=2)
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(abs, range(2)))
        add("two processes", executor=pool)
    with local_cluster(2) as client:
        add("two dask workers", executor=client)
    notes = [
        f"{first.evaluated:,} free 2 x 3 layouts evaluated in {options['restarts']} annealing runs, {objective.spelled.n_words:,} words; the same layouts found with each. "
        "Processes and dask workers were started before and import nearkey within the time."
    ]
    return section(
        "Search: free 2 x 3 layouts", "workers; seconds|1; times one|2; layouts a second|0; minutes for a million|1",
        rows, notes=notes, timed=True, order=82,
    )  # fmt: skip


def million(space: Any, objective: Any, steps: int, layouts: int = 1_000_000) -> Any:
    """A million free layouts evaluated, in the whole: annealing runs on two processes until there are as many."""
    start = time.perf_counter()
    options = {"method": "anneal", "restarts": 1000, "steps": steps, "seed": 1}
    with ProcessPoolExecutor(2) as pool:
        for last in search_letters(
            space, [objective], options=LetterSearchOptions(**options, executor=pool)
        ):
            if last.evaluated >= layouts:
                break
            if last.done % 20 == 0:
                print(f"{last.evaluated:,} in {time.perf_counter() - start:.0f} s", flush=True)
        took = time.perf_counter() - start
    best = space.layout(last.found.keys[0].tolist())
    return section(
        "Search: a million free 2 x 3 layouts, in the whole",
        "runs; moves tried; layouts evaluated; minutes|1; best found, first of their keys|4",
        [[last.done, last.done * steps, last.evaluated, took / 60, last.found.values[0, 0]]],
        more="--parts million", timed=True, order=83,
        notes=["Two processes on two cores, started and fed within the time; runs that had begun when the million was full are not counted. The best: "
               + " ".join(key.letters for key in best.letter_keys) + "."],
    )  # fmt: skip


@contextmanager
def local_cluster(workers: int) -> Iterator[Any]:
    """Workers of one thread each on this machine, and a client of them."""
    with (
        distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client


def ranking(pack: Any, sizes: Any) -> Any:
    """A ranking in one process, and on clusters of one and two."""
    layouts = list(grid_layouts(QWERTY, rows=2, columns=3, limit=4, width_mm=18, height_mm=12))
    touch = {one.name: GaussianTouch.from_layout(one, spread_mm=2.0) for one in layouts}
    rows = []
    for words in sizes:

        def rank(executor: Any = None, words: int = words) -> Any:
            return rank_layouts(layouts, touch=touch, pack=pack, words=words, executor=executor)

        alone, first = wall(rank)
        rows.append([words, "one process", alone, 1.0])
        for n in (1, 2):
            with local_cluster(n) as client:
                for state in ("new", "warm"):
                    took, found = wall(lambda client=client: rank(client))
                    assert found.table() == first.table()
                    rows.append(
                        [words, f"{n} dask worker{'s' * (n > 1)}, {state}", took, alone / took]
                    )
    return section(
        "Search: ranking on a cluster", "words on each layout; workers; seconds|2; times one process|2", rows, timed=True, order=85,
        notes=["Four strict 2 x 3 layouts; the table is the same each time. A new worker imports nearkey and builds the decoders, a warm one has done so."],
    )  # fmt: skip


if __name__ == "__main__":
    main()
