"""What a ranking found: a row a layout, with intervals and paired differences."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError
from nearkey.files import atomic_write
from nearkey.intervals import (
    Estimate,
    paired_difference,
    proportion,
    ratio,
    ratio_difference,
)
from nearkey.layout import Layout
from nearkey.simulate.collisions import Collisions
from nearkey.simulate.entry_speed import Speed
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.words import WordSample

__all__ = ["Confusion", "RankResult", "RankRow", "Scored"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scored:
    """One layout's outcomes over all its words."""

    layout: Layout
    touch: SamplingTouchModel
    collisions: Collisions
    rank: NDArray[np.int64]
    first: NDArray[np.int64]
    keystrokes: Floats
    seconds: Floats
    stopped_early: bool = False


@dataclass(frozen=True, slots=True)
class RankRow:
    """One line of the table. Estimates carry 95 % intervals.

    top1, top3, top5 : share of words among the first 1, 3, 5 candidates.
    kspc : keystrokes per character, space included. wpm : predicted words (of five characters) per minute.
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
        out: dict[str, Any] = {"layout": self.layout, "place": self.place, "words": self.words}
        for name in RankResult.MEASURES:
            out[name] = getattr(self, name)._asdict()
        out["collision"] = self.collision
        out["to_best"] = {m: e._asdict() for m, e in self.to_best.items()}
        out["to_baseline"] = (
            None
            if self.to_baseline is None
            else {m: e._asdict() for m, e in self.to_baseline.items()}
        )
        out["stopped_early"] = self.stopped_early
        return out


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
    sample: WordSample
    word_list: Sequence[str]
    baseline: str | None
    by: str
    seed: int
    selection: Selection
    speed: Speed

    @staticmethod
    def per_word(by: str, rank: NDArray[np.int64], keystrokes: Floats, seconds: Floats) -> Floats:
        """A value for each word whose mean orders layouts by a measure, the most being best."""
        if by.startswith("top"):
            return ((rank >= 1) & (rank <= int(by[3:]))).astype(np.float64)
        return -keystrokes if by == "kspc" else -seconds

    @classmethod
    def build(
        cls,
        scored: Sequence[Scored],
        *,
        sample: WordSample,
        word_list: Sequence[str],
        baseline: str | None,
        by: str,
        seed: int,
        selection: Selection,
        speed: Speed,
    ) -> RankResult:
        """Order the layouts and compute their rows."""
        characters = np.fromiter(
            (len(word_list[i]) + 1 for i in sample.index), np.float64, len(sample)
        )

        def goodness(s: Scored) -> tuple[bool, float]:
            value = float(cls.per_word(by, s.rank, s.keystrokes, s.seconds).mean())
            return (not s.stopped_early, value)

        ordered = sorted(scored, key=goodness, reverse=True)
        by_name = {s.layout.name: s for s in ordered}
        rows = []
        for place, s in enumerate(ordered, start=1):
            n = len(s.rank)
            different = sample.different(n)
            reference = None if baseline is None else by_name[baseline]
            rows.append(
                RankRow(
                    layout=s.layout.name,
                    place=place,
                    words=n,
                    **{
                        f"top{k}": proportion(int(_hits(s, k).sum()), n, different=different)
                        for k in (1, 3, 5)
                    },
                    kspc=ratio(s.keystrokes, characters[:n], different=different),
                    wpm=_wpm(s, characters, different),
                    collision=s.collisions.rate,
                    to_best=_differences(s, ordered[0], characters, sample),
                    to_baseline=None
                    if reference is None
                    else _differences(s, reference, characters, sample),
                    stopped_early=s.stopped_early,
                )
            )
        return cls(tuple(rows), by_name, sample, word_list, baseline, by, seed, selection, speed)

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
        s = self.scored[layout]
        index = self.sample.index[: len(s.rank)]
        wrong = s.rank != 1
        pairs = Counter(zip(index[wrong].tolist(), s.first[wrong].tolist(), strict=True))
        typed = Counter(index.tolist())
        words = self.word_list
        ordered = sorted(pairs.items(), key=lambda p: (-p[1], words[p[0][0]], p[0][1]))
        return [
            Confusion(words[word], words[shown] if shown >= 0 else "", count, typed[word])
            for (word, shown), count in ordered[:n]
        ]

    def save(self, path: str | PathLike[str]) -> None:
        """Write the table as JSON, whole or not at all."""
        data = {
            "schema": "nearkey-ranking",
            "version": 1,
            "by": self.by,
            "seed": self.seed,
            "baseline": self.baseline,
            "words": self.sample.source,
            "words_skipped": self.sample.skipped,
            "selection": {"style": self.selection.style, "listed": self.selection.listed},
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
        header = [
            "",
            "layout",
            "words",
            "top-1",
            "95 %",
            "top-3",
            "95 %",
            "top-5",
            "KSPC",
            "95 %",
            "WPM*",
            "collide",
        ]
        header += [f"{self.by} to best", "95 %"]
        if self.baseline is not None:
            header += [f"to {self.baseline}", "95 %"]
        lines = [header]
        for r in shown:
            best = r.to_best[self.by]
            line = [
                f"{r.place}",
                r.layout + (" (stopped early)" if r.stopped_early else ""),
                f"{r.words}",
                f"{r.top1.value:.4f}",
                _range(r.top1),
                f"{r.top3.value:.4f}",
                _range(r.top3),
                f"{r.top5.value:.4f}",
                f"{r.kspc.value:.4f}",
                _range(r.kspc),
                f"{r.wpm.value:.1f}",
                f"{r.collision:.4f}",
                f"{best.value:+.4f}",
                _range(best, "+"),
            ]
            if self.baseline is not None and r.to_baseline is not None:
                base = r.to_baseline[self.by]
                line += [f"{base.value:+.4f}", _range(base, "+")]
            lines.append(line)
        widths = [max(len(row[i]) for row in lines) for i in range(len(header))]
        text = [
            "  ".join(
                cell.ljust(w) if i == 1 else cell.rjust(w)
                for i, (cell, w) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in lines
        ]
        text.insert(1, "-" * max(map(len, text)))
        text.append("* predicted with unverified constants: for comparing layouts, not for quoting")
        if any(r.stopped_early for r in shown):
            text.append(
                "stopped early: judged out of reach of the best before all words were typed"
            )
        if self.sample.origin is not None:
            text.append(f"words of {self.sample.source}")
        return "\n".join(text)


def _range(estimate: Estimate, sign: str = "") -> str:
    return f"[{estimate.low:{sign}.4f}, {estimate.high:{sign}.4f}]"


def _hits(scored: Scored, k: int) -> Floats:
    return RankResult.per_word(f"top{k}", scored.rank, scored.keystrokes, scored.seconds)


def _wpm(scored: Scored, characters: Floats, different: int | None) -> Estimate:
    """Words of five characters a minute (MacKenzie 2002), the space after each word counted."""
    pace = ratio(characters[: len(scored.rank)], scored.seconds, different=different)
    return Estimate(*(v * 12.0 for v in pace))


def _differences(
    one: Scored, other: Scored, characters: Floats, sample: WordSample
) -> dict[str, Estimate]:
    """Paired differences of every measure over the words both layouts typed."""
    n = min(len(one.rank), len(other.rank))
    base, different = characters[:n], sample.different(n)
    found = {
        f"top{k}": paired_difference(_hits(one, k)[:n], _hits(other, k)[:n], different=different)
        for k in (1, 3, 5)
    }
    found["kspc"] = ratio_difference(
        one.keystrokes[:n], base, other.keystrokes[:n], base, different=different
    )
    pace = ratio_difference(base, one.seconds[:n], base, other.seconds[:n], different=different)
    found["wpm"] = Estimate(*(v * 12.0 for v in pace))
    return found
