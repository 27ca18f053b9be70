"""What a search found: layouts with their objectives, the proof where there is one, and all that repeats it."""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass, field
from typing import Any

from nearkey.files import atomic_path, atomic_write
from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.layout import Layout
from nearkey.saved_results import SavedResult, load_result, write_result
from nearkey.search.letter_search import FoundLayouts
from nearkey.search.letter_space import LetterSpace
from nearkey.simulate.people_ranking import PeopleRanking
from nearkey.text_table import estimate_text, text_table

SCHEMA = "nearkey-search"
VERSION = 1


@dataclass(frozen=True, slots=True)
class RaceRow:
    """A layout of a race.

    value : its measure with its 95 % interval. words : typed on it.
    dropped : the round after which it dropped out, from 1; None for one still in at the end.
    """

    layout: Layout
    value: Estimate
    words: int
    dropped: int | None


@dataclass(frozen=True, repr=False)
class SearchResult(Tabular):
    """A search told. `str()` is a table; `to_dict()` plain data.

    space, found : see there. objectives : (name, direction) of each. count : layouts in the space.
    method : "list", "anneal" or "prove". evaluated : layouts and boxes evaluated.
    complete : whether nothing better can be in the space: all listed, or proven.
    bound : with a proof, what no layout of the space is better than in its one objective.
    race : of the best through the decoder, where asked for. noise : by spread in millimetres, the measure of the first
    of the race under it. people : the first of the race and the base ranked by people the decoder does not know, where
    the plan says who. texts : by other text, the share of its words that are first of their keys, by layout; None
    where none of them can be typed.
    conditions : all that one must know to repeat it.
    """

    space: LetterSpace
    found: FoundLayouts
    objectives: tuple[tuple[str, str], ...]
    count: int
    method: str
    evaluated: int
    complete: bool
    bound: float | None = None
    race: tuple[RaceRow, ...] = ()
    noise: dict[float, dict[str, Estimate]] = field(default_factory=dict)
    people: tuple[PeopleRanking, ...] = ()
    texts: dict[str, dict[str, float | None]] = field(default_factory=dict)
    conditions: dict[str, Any] = field(default_factory=dict)

    def name(self, place: int) -> str:
        """The name of the layout at a place of `found`, from 0."""
        return f"{self.space.name}-{place + 1:0{max(2, len(str(len(self.found))))}d}"

    def layout(self, place: int) -> Layout:
        """The layout at a place of `found`, from 0: 0 is the best in the first objective."""
        return self.space.layout(self.found.keys[place].tolist(), name=self.name(place))

    def layouts(self, limit: int | None = None) -> list[Layout]:
        """The layouts found, the non-dominated first; no more than so many."""
        return [self.layout(i) for i in range(len(self.found))[:limit]]

    def groups(self, place: int) -> list[str]:
        """The letters of each key of the layout at a place."""
        keys, letters = self.found.keys[place].tolist(), self.space.letters
        order = [(c, keys[letters.index(c)]) for c in self.space.base.letters]
        return ["".join(c for c, k in order if k == key) for key in range(len(self.space.key_ids))]

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row a layout kept: name, front, each objective, the letters of each key."""
        names = [name for name, _ in self.objectives]
        return [
            {"layout": self.name(i), "front": bool(self.found.front[i])}
            | dict(zip(names, self.found.values[i].tolist(), strict=True))
            | dict(zip(self.space.key_ids, self.groups(i), strict=True))
            for i in range(len(self.found))
        ]

    def save_csv(self, path: str | os.PathLike[str]) -> None:
        """Write the rows as CSV."""
        rows = self.to_dicts()
        with atomic_write(path) as file:
            writer = csv.DictWriter(
                file, list(rows[0]) if rows else ["layout"], lineterminator="\n"
            )
            writer.writeheader()
            writer.writerows(rows)

    def save_parquet(self, path: str | os.PathLike[str]) -> None:
        """Write the rows as Parquet. Raises NearkeyError without the extra "data"."""
        table = self.to_arrow()
        from pyarrow import parquet

        with atomic_path(path) as draft:
            parquet.write_table(table, draft)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write `to_dict()` as JSON."""
        write_result(path, self.to_dict())

    @staticmethod
    def load(path: str | os.PathLike[str]) -> SavedResult:
        """What `save` wrote; raises as `load_result`."""
        return load_result(path, SCHEMA)

    def to_dict(self) -> dict[str, Any]:
        """The result as plain data: the same for the same plan, pack, version and seed, whatever the workers."""
        return {
            "schema": SCHEMA,
            "version": VERSION,
            "conditions": self.conditions,
            "space": self.space.to_dict(),
            "count": self.count,
            "method": self.method,
            "evaluated": self.evaluated,
            "complete": self.complete,
            "bound": self.bound,
            "objectives": [{"name": n, "direction": d} for n, d in self.objectives],
            "layouts": self.to_dicts(),
            "noise": {
                f"{spread:g}": {name: list(value) for name, value in found.items()}
                for spread, found in self.noise.items()
            },
            "people": [one.to_dict() for one in self.people],
            "texts": self.texts,
            "race": [
                {
                    "layout": r.layout.name,
                    "value": list(r.value),
                    "words": r.words,
                    "dropped": r.dropped,
                }
                for r in self.race
            ],
        }

    def verdict(self) -> str:
        """How sure the search is, in a sentence."""
        name = self.objectives[0][0]
        if self.complete and self.bound is not None:
            return f"proven: no layout of the {self.count:,} has a better {name} ({self.evaluated:,} evaluations)"
        if self.complete:
            return f"all {self.count:,} layouts were evaluated: no other beats these"
        if self.bound is not None:
            best = float(self.found.values[0, 0])
            gap = abs(self.bound - best)
            return (
                f"not proven: no layout of the {self.count:,} has a better {name} than {self.bound:.6f}, "
                f"a gap of {gap:.6f}"
            )
        return f"searched, not proven: {self.evaluated:,} layouts evaluated of {self.count:,}"

    def table(self, limit: int = 10) -> str:
        """The first layouts and the verdict."""
        heads = ["layout", *(n for n, _ in self.objectives), "letters"]
        rows = [
            [
                self.name(i),
                *(f"{v:.4f}" for v in self.found.values[i]),
                " | ".join(g or "-" for g in self.groups(i)),
            ]
            for i in range(len(self.found))[:limit]
        ]
        last = len(heads) - 1
        lines = [text_table(heads, rows, left=(0, last)), "", self.verdict()]
        front = int(self.found.front.sum())
        if len(self.objectives) > 1:
            lines.append(f"{front} layouts that no other found beats in every objective")
        if self.race:
            measure = self.conditions.get("noise", {}).get("by", "")
            percent = measure.startswith("top")
            race = [
                [
                    r.layout.name,
                    estimate_text(r.value, 1 if percent else 3, percent=percent),
                    str(r.words),
                    "" if r.dropped is None else f"round {r.dropped}",
                ]
                for r in self.race
            ]
            head = f"{measure} %" if percent else measure
            lines += ["", text_table(["through the decoder", head, "words", "dropped"], race)]
        for one in self.people:
            lines += ["", str(one)]
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.table()
