"""What a ranking found: a row a layout, with intervals and paired differences."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any, ClassVar, cast

from nearkey.errors import PlanError
from nearkey.files import atomic_write
from nearkey.intervals import Estimate
from nearkey.layout import Layout
from nearkey.simulate.collisions import Collisions
from nearkey.simulate.outcomes import MEASURES, WordOutcomes
from nearkey.simulate.plain_data import plain
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.workload import Workload
from nearkey.text_table import interval_text, number, text_table

__all__ = ["Confusion", "RankResult", "RankRow", "Scored"]


@dataclass(frozen=True, slots=True)
class Scored:
    """One layout's outcomes over all its words.

    touch : where touches landed. outcomes : what became of each word.
    """

    layout: Layout
    touch: SamplingTouchModel
    collisions: Collisions
    outcomes: WordOutcomes
    stopped_early: bool = False


@dataclass(frozen=True, slots=True)
class RankRow:
    """One line of the table. Estimates carry 95 % intervals.

    top1, top3, top5 : share of words among the first 1, 3, 5 candidates.
    kspc : measured keystrokes per character, corrections and spaces included.
    wpm : predicted words (of five characters) per minute.
    collision : share of word tokens a more probable word with the same keys beats, touches perfect; exact.
    to_best, to_baseline : paired differences of each measure to the best layout and to the baseline.
    """

    layout: str
    place: int
    words: int
    top1: Estimate
    top3: Estimate
    top5: Estimate
    kspc: Estimate
    wpm: Estimate
    collision: float
    to_best: dict[str, Estimate]
    to_baseline: dict[str, Estimate] | None
    stopped_early: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain data: each estimate as value, low, high."""
        return cast(dict[str, Any], plain(self))


@dataclass(frozen=True, slots=True)
class Confusion:
    """A word and what came first in its place, with how often of how many."""

    word: str
    shown: str
    count: int
    typed: int


@dataclass(frozen=True, slots=True)
class RankResult:
    """A ranking, best layout first. `str()` is the table; `to_dicts()` its rows as plain data."""

    MEASURES: ClassVar[tuple[str, ...]] = ("top1", "top3", "top5", "kspc", "wpm")

    rows: tuple[RankRow, ...]
    scored: dict[str, Scored]
    workload: Workload
    word_list: Sequence[str]
    baseline: str | None
    by: str
    options: SimulationOptions

    @classmethod
    def build(
        cls,
        scored: Sequence[Scored],
        *,
        workload: Workload,
        word_list: Sequence[str],
        baseline: str | None,
        by: str,
        options: SimulationOptions,
    ) -> RankResult:
        """Order the layouts and compute their rows."""
        measure = MEASURES[by]

        def goodness(one: Scored) -> tuple[bool, float]:
            value = measure.estimate(one.outcomes).value
            return not one.stopped_early, value if measure.more_is_better else -value

        ordered = sorted(scored, key=goodness, reverse=True)
        by_name = {one.layout.name: one for one in ordered}
        reference = None if baseline is None else by_name[baseline]
        rows = tuple(
            RankRow(
                layout=one.layout.name,
                place=place,
                words=len(one.outcomes),
                **{name: MEASURES[name].estimate(one.outcomes) for name in cls.MEASURES},
                collision=one.collisions.rate,
                to_best=_differences(one, ordered[0]),
                to_baseline=None if reference is None else _differences(one, reference),
                stopped_early=one.stopped_early,
            )
            for place, one in enumerate(ordered, start=1)
        )
        return cls(rows, by_name, workload, word_list, baseline, by, options)

    @property
    def best(self) -> Layout:
        """The first layout of the table."""
        return self.scored[self.rows[0].layout].layout

    @property
    def layouts(self) -> tuple[Layout, ...]:
        """All layouts, best first."""
        return tuple(self.scored[row.layout].layout for row in self.rows)

    def row(self, layout: str) -> RankRow:
        """The row of a layout, by name; PlanError where there is none."""
        for row in self.rows:
            if row.layout == layout:
                return row
        raise PlanError(
            f"no layout is named {layout!r}", field="layout", fix="name one of the table"
        )

    def to_dicts(self) -> list[dict[str, Any]]:
        """The rows as plain data, best first."""
        return [row.to_dict() for row in self.rows]

    def confusions(self, layout: str, n: int = 10) -> list[Confusion]:
        """The words most often beaten to first place on a layout, with the word shown instead."""
        self.row(layout)
        own, words = self.scored[layout].outcomes, self.workload.vocabulary
        typed = self.workload.word[: len(own)]
        wrong = own.rank != 1
        pairs = Counter(zip(typed[wrong].tolist(), own.first[wrong].tolist(), strict=True))
        times = Counter(typed.tolist())
        ordered = sorted(pairs.items(), key=lambda p: (-p[1], words[p[0][0]], p[0][1]))
        return [
            Confusion(words[word], self.word_list[shown] if shown >= 0 else "", count, times[word])
            for (word, shown), count in ordered[:n]
        ]

    def save(self, path: str | PathLike[str]) -> None:
        """Write the table as JSON, whole or not at all."""
        data = {
            "schema": "nearkey-ranking",
            "version": 1,
            "by": self.by,
            "seed": self.options.seed,
            "baseline": self.baseline,
            "words": self.workload.source,
            "words_skipped": self.workload.skipped,
            "selection": {
                "style": self.options.selection.style,
                "listed": self.options.selection.listed,
            },
            "rows": self.to_dicts(),
        }
        with atomic_write(path) as file:
            json.dump(data, file, indent=1, ensure_ascii=False)
            file.write("\n")

    def __str__(self) -> str:
        return self.table()

    def table(self, most: int | None = None) -> str:
        """The table as text, the first `most` rows and the baseline."""
        shown = [
            r
            for i, r in enumerate(self.rows)
            if most is None or i < most or r.layout == self.baseline
        ]
        header = ["", "layout", "words", "top-1", "95 %", "top-3", "95 %", "top-5"]
        header += ["KSPC", "95 %", "WPM*", "collide"]
        header += [f"{self.by} to best", "95 %"]
        if self.baseline is not None:
            header += [f"to {self.baseline}", "95 %"]
        lines = []
        for r in shown:
            best = r.to_best[self.by]
            line = [
                f"{r.place}",
                r.layout + (" (stopped early)" if r.stopped_early else ""),
                f"{r.words}",
                number(r.top1.value, 4),
                interval_text(r.top1),
                number(r.top3.value, 4),
                interval_text(r.top3),
                number(r.top5.value, 4),
                number(r.kspc.value, 4),
                interval_text(r.kspc),
                number(r.wpm.value, 1),
                number(r.collision, 4),
                number(best.value, 4, sign=True),
                interval_text(best, sign=True),
            ]
            if self.baseline is not None and r.to_baseline is not None:
                base = r.to_baseline[self.by]
                line += [number(base.value, 4, sign=True), interval_text(base, sign=True)]
            lines.append(line)
        text = [text_table(header, lines, left=(1,), rule=True)]
        text.append("* predicted with unverified constants: for comparing layouts, not for quoting")
        if any(r.stopped_early for r in shown):
            text.append(
                "stopped early: judged out of reach of the best before all words were typed"
            )
        if self.workload.origin is not None:
            text.append(f"words of {self.workload.source}")
        return "\n".join(text)


def _differences(one: Scored, other: Scored) -> dict[str, Estimate]:
    """Paired differences of every measure over the words both layouts typed."""
    return {
        name: MEASURES[name].difference(one.outcomes, other.outcomes)
        for name in RankResult.MEASURES
    }
