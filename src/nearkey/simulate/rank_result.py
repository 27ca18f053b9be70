"""What a ranking found: a row a layout, with intervals and paired differences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any, ClassVar

import numpy as np

from nearkey.frames import Tabular
from nearkey.intervals import (
    BestOf,
    Estimate,
    items_to_distinguish,
    mean,
    with_a_control,
    with_the_best,
)
from nearkey.layout import Layout
from nearkey.saved_results import SavedResult, load_result, write_result
from nearkey.simulate.keystrokes import Collisions
from nearkey.simulate.outcomes import MEASURES, RANKED, Measure, WordOutcomes
from nearkey.simulate.people_ranking import PeopleRanking
from nearkey.simulate.plain_data import PlainData, plain, row_named
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.spread_curves import LayoutNoise
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.workload import Workload
from nearkey.text_table import estimate_text, number, text_table

SCHEMA = "nearkey-ranking"


@dataclass(frozen=True, slots=True)
class Scored:
    """One layout's outcomes over all its words.

    touch : where touches landed. noise : its spread and offset. outcomes : what became of each word.
    """

    layout: Layout
    touch: SamplingTouchModel
    noise: LayoutNoise
    collisions: Collisions
    outcomes: WordOutcomes
    stopped_early: bool = False


@dataclass(frozen=True, slots=True)
class RankRow(PlainData):
    """One line of the table. Estimates carry 95 % intervals.

    top1, top3, top5 : share of words among the first 1, 3, 5 candidates.
    kspc : measured keystrokes per character, corrections and spaces included.
    wpm : predicted words (of five characters) per minute.
    collision : share of word tokens a more probable word with the same keys beats, touches perfect; exact.
    to_best, to_baseline : paired differences of each measure to the first layout and to the baseline, one at a time.
    behind : the measure that ranks less the best of the other layouts', all layouts at once (Hsu 1984); may_be_best :
        whether the layout may be the best. over_baseline : the measure less the baseline's, all at once (Dunnett 1955).
    types : accuracies over different words, each weighing the same.
    letters : of each letter key. noise : of the touches.
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
    behind: Estimate
    may_be_best: bool
    over_baseline: Estimate | None
    types: dict[str, Estimate]
    letters: tuple[str, ...]
    noise: LayoutNoise


_HEADS = {"top1": "top-1", "top3": "top-3", "top5": "top-5", "wpm": "WPM*", "kspc": "KSPC"}


@dataclass(frozen=True, slots=True)
class Confusion:
    """A word and what came first in its place, with how often of how many."""

    word: str
    shown: str
    count: int
    typed: int


@dataclass(frozen=True, slots=True)
class Confirmed:
    """The layout that was first on one half of the words, measured on the other half: free of having been picked.

    value : of the measure that ranks. to_next, to_baseline : paired differences, turned so that more is better, to the
    layout that was second on the first half and to the baseline; None where there is none.
    """

    layout: str
    words: int
    value: Estimate
    next: str | None
    to_next: Estimate | None
    to_baseline: Estimate | None


@dataclass(frozen=True, slots=True)
class RankResult(Tabular):
    """A ranking, best layout first. `str()` is the table; `to_dicts()` its rows as plain data.

    conditions : the same layouts ranked by people whom the decoder does not know exactly; none without people.
    """

    MEASURES: ClassVar[tuple[str, ...]] = RANKED

    rows: tuple[RankRow, ...]
    scored: dict[str, Scored]
    workload: Workload
    word_list: Sequence[str]
    baseline: str | None
    by: str
    options: SimulationOptions
    conditions: tuple[PeopleRanking, ...] = ()

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
        conditions: tuple[PeopleRanking, ...] = (),
    ) -> RankResult:
        """Order the layouts and compute their rows."""
        measure = MEASURES[by]

        def goodness(one: Scored) -> tuple[bool, float]:
            return not one.stopped_early, measure.sign * measure.estimate(one.outcomes).value

        ordered = sorted(scored, key=goodness, reverse=True)
        by_name = {one.layout.name: one for one in ordered}
        reference = None if baseline is None else by_name[baseline]
        best, controlled = _all_at_once(ordered, measure, baseline)
        rows = tuple(
            RankRow(
                layout=one.layout.name,
                place=place,
                words=len(one.outcomes),
                **{name: MEASURES[name].estimate(one.outcomes) for name in RANKED},
                collision=one.collisions.rate,
                to_best=_differences(one, ordered[0]),
                to_baseline=None if reference is None else _differences(one, reference),
                stopped_early=one.stopped_early,
                behind=best[one.layout.name].to_best,
                may_be_best=best[one.layout.name].may_be_best,
                over_baseline=controlled.get(one.layout.name),
                types={k: _over_types(workload, one, k) for k in ("top1", "top3", "top5")},
                letters=tuple(key.letters for key in one.layout.letter_keys),
                noise=one.noise,
            )
            for place, one in enumerate(ordered, start=1)
        )
        return cls(rows, by_name, workload, word_list, baseline, by, options, conditions)

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
        return row_named(self.rows, layout)

    def condition(self, name: str) -> PeopleRanking:
        """The ranking under one of `conditions`, by name; PlanError where there is none."""
        return row_named(self.conditions, name, field="condition")

    @property
    def winners(self) -> dict[str, str]:
        """The first layout under each condition, "matched" among them."""
        return {"matched": self.rows[0].layout} | {c.condition: c.winner for c in self.conditions}

    def lead(self, layout: str, other: str) -> Estimate:
        """One layout less another in the measure that ranks, paired, turned so that more is better."""
        return MEASURES[self.by].gain(self.scored[layout].outcomes, self.scored[other].outcomes)

    @property
    def winner_lead(self) -> Estimate:
        """The first layout's lead over the baseline, or over the best of the others where it is the baseline or there
        is none, for all layouts together; more is better."""
        first = self.rows[0]
        over = None if self.baseline == first.layout else first.over_baseline
        return MEASURES[self.by].better(over or first.behind)

    def words_needed(self, layout: str, other: str) -> int | None:
        """Words in all that would tell these two apart four times in five, if their difference is the one seen."""
        n = min(len(self.scored[name].outcomes) for name in (layout, other))
        return items_to_distinguish(self.lead(layout, other), n)

    def confirmed(self) -> Confirmed:
        """The leader chosen on the first half of the words, and estimated on the second."""
        measure, whole = MEASURES[self.by], len(self.workload)
        done = [s for s in self.scored.values() if len(s.outcomes) == whole]
        halves = {
            s.layout.name: (
                s.outcomes.select(slice(0, whole // 2)),
                s.outcomes.select(slice(whole // 2, whole)),
            )
            for s in done
        }
        order = sorted(
            halves, key=lambda name: -measure.sign * measure.estimate(halves[name][0]).value
        )
        own = halves[order[0]][1]
        second = order[1] if len(order) > 1 else None
        return Confirmed(
            order[0],
            len(own),
            measure.estimate(own),
            second,
            None if second is None else measure.gain(own, halves[second][1]),
            measure.gain(own, halves[self.baseline][1])
            if self.baseline is not None and self.baseline in halves
            else None,
        )

    @property
    def unknown(self) -> int:
        """Words typed that the lexicon lacks: they count as missed."""
        return int((~self.workload.known).sum())

    def to_dicts(self) -> list[dict[str, Any]]:
        """The rows as plain data, best first."""
        return [row.to_dict() for row in self.rows]

    def confusions(self, layout: str, limit: int = 10) -> list[Confusion]:
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
            for (word, shown), count in ordered[:limit]
        ]

    def save(self, path: str | PathLike[str]) -> None:
        """Write the table as JSON, whole or not at all."""
        data = {
            "schema": SCHEMA,
            "version": 1,
            "by": self.by,
            "seed": self.options.seed,
            "baseline": self.baseline,
            "words": self.workload.source,
            "words_skipped": self.workload.skipped,
            "words_outside_lexicon": self.unknown,
            "training_text": self.workload.trained,
            "winners": self.winners,
            "leader_on_other_half": plain(self.confirmed()),
            "selection": {
                "style": self.options.selection.style,
                "listed": self.options.selection.k,
            },
            "rows": self.to_dicts(),
            "conditions": [condition.to_dict() for condition in self.conditions],
        }
        write_result(path, data)

    @staticmethod
    def load(path: str | PathLike[str]) -> SavedResult:
        """The rows, and all else that `save` wrote; raises as `load_result`."""
        return load_result(path, SCHEMA)

    def __repr__(self) -> str:
        return f"<RankResult: {len(self.rows)} layouts, best {self.rows[0].layout!r} by {self.by}>"

    def __str__(self) -> str:
        return self.table()

    def table(self, limit: int | None = None) -> str:
        """The winners, then the table as text, the first `limit` rows and the baseline."""
        shown = [
            r
            for i, r in enumerate(self.rows)
            if limit is None or i < limit or r.layout == self.baseline
        ]
        order = [self.by, *(name for name in _HEADS if name != self.by)]
        header = ["", "layout", _HEADS[self.by]]
        header += [] if self.baseline is None else [f"to {self.baseline}"]
        header += ["to the best", "letters"]
        header += [condition.condition for condition in self.conditions]
        header += [_HEADS[name] for name in order[1:]]
        header += ["words", "collide", "spread", "offset", "a key"]
        lines = []
        for r in shown:
            figures = {
                "wpm": number(r.wpm.value, 1),
                "kspc": estimate_text(r.kspc, 3),
                **{name: estimate_text(getattr(r, name), 4) for name in ("top1", "top3", "top5")},
            }
            line = [
                f"{r.place}{'' if r.may_be_best else '-'}",
                r.layout + (" (stopped early)" if r.stopped_early else ""),
                figures[self.by],
            ]
            if self.baseline is not None:
                line += [estimate_text(r.over_baseline, 4, sign=True)]
            line += [estimate_text(r.behind, 4, sign=True), " ".join(r.letters)]
            for condition in self.conditions:
                there = condition.row(r.layout) if r.layout in condition.layouts else None
                line.append(
                    "-"
                    if there is None
                    else f"{there.place}{'' if there.may_be_best else '-'}  {estimate_text(there.values[self.by], 4)}"
                )
            line += [*(figures[name] for name in order[1:]), f"{r.words}", number(r.collision, 4)]
            line += [
                number(r.noise.spread_mm, 2),
                number(r.noise.offset_mm, 2),
                number(r.noise.touches_a_key, 0),
            ]
            lines.append(line)
        text = [*verdict(self), ""]
        text.append(text_table(header, lines, left=(1, header.index("letters")), named=2))
        text.append(
            "\n* predicted with unverified constants: for comparing layouts, not for quoting"
        )
        text.append(
            "to best (of the others) and to the baseline: 95 % for all layouts together; a place followed by - cannot "
            "be the best; spread and offset in mm, a key: touches its model was fitted on"
        )
        if self.conditions:
            one = self.conditions[0]
            text.append(
                f"people: {one.how}; {one.words_each} words each; their place and {self.by}, intervals over people"
            )
        if any(r.stopped_early for r in shown):
            text.append(
                "stopped early: judged out of reach of the best before all words were typed"
            )
        text.append(_chosen_on_half(self))
        text.append(_counted(self))
        if self.workload.origin is not None:
            text.append(f"words of {self.workload.source}")
        return "\n".join(text)


def _chosen_on_half(result: RankResult) -> str:
    """The leader of one half of the words, on the other half."""
    found = result.confirmed()
    said = (
        f"first on the first half of the words: {found.layout}; on the other half it has {result.by} "
        f"{estimate_text(found.value, 4)}"
    )
    if found.to_baseline is not None and found.layout != result.baseline:
        said += f", {estimate_text(found.to_baseline, 4, sign=True)} over {result.baseline}"
    elif found.to_next is not None:
        said += f", {estimate_text(found.to_next, 4, sign=True)} over {found.next}"
    return said


def _counted(result: RankResult) -> str:
    """What words were typed, and accuracy over types."""
    work, first = result.workload, result.rows[0]
    said = [] if work.origin is not None else [work.source]
    said.append(f"{result.unknown} of {len(work)} outside the lexicon, counted as missed")
    if work.skipped:
        said.append(f"{work.skipped} passed over, which the letters cannot spell")
    if work.line is not None:
        said.append(
            {
                True: "the text was training text of the pack",
                False: "the text was held out from training",
                None: "whether the pack was trained on the text is not known",
            }[work.trained]
        )
    types = first.types.get(result.by, first.types["top3"])
    name = result.by if result.by in first.types else "top3"
    said.append(
        f"{first.layout} over {len(np.unique(work.word))} different words, each weighing the same: {name} "
        f"{estimate_text(types, 4)}"
    )
    return "; ".join(said)


def _over_types(workload: Workload, one: Scored, measure: str) -> Estimate:
    """Accuracy over different words: the mean over words of each word's share."""
    word = workload.word[: len(one.outcomes)]
    hits, _ = MEASURES[measure].terms(one.outcomes)
    times = np.bincount(word)
    seen = times > 0
    return mean(np.bincount(word, weights=hits)[seen] / times[seen])


def _all_at_once(
    ordered: Sequence[Scored], measure: Measure, baseline: str | None
) -> tuple[dict[str, BestOf], dict[str, Estimate]]:
    """Each layout against the best of the others, and against the baseline, by name.

    A layout that stopped early is out of the comparison: it was judged out of reach on the words it typed.
    """
    done = [one for one in ordered if not one.stopped_early]
    units = measure.units([one.outcomes for one in done])
    names = [one.layout.name for one in done]
    best = dict(zip(names, with_the_best(units), strict=True))
    controlled: dict[str, Estimate] = {}
    if baseline in names:
        controlled = dict(zip(names, with_a_control(units, names.index(baseline)), strict=True))
    for one in ordered:
        if one.stopped_early:
            gone = measure.gain(one.outcomes, ordered[0].outcomes)
            best[one.layout.name] = BestOf(gone, False)
    return (
        {name: BestOf(measure.better(one.to_best), one.may_be_best) for name, one in best.items()},
        {name: measure.better(one) for name, one in controlled.items()},
    )


def _differences(one: Scored, other: Scored) -> dict[str, Estimate]:
    """Paired differences of every measure over the words both layouts typed."""
    return {name: MEASURES[name].difference(one.outcomes, other.outcomes) for name in RANKED}


def verdict(result: RankResult) -> list[str]:
    """The first lines of a table and of a report.

    result : a ranking. The winner under each condition with its lead over the baseline (over the second where it is the
    baseline itself), how many layouts may be the best, and how many words or people more would tell it from its rival.
    """
    if len(result.rows) < 2:
        return [f"{result.rows[0].layout} is the only layout"]
    lines = [_line("matched", result, result.words_needed, "words")]
    lines += [_line(c.condition, c, c.people_needed, "people") for c in result.conditions]
    heading = f"winner by {result.by}:"
    if not result.conditions:
        return [
            heading,
            *lines,
            "  the decoder knows the hand exactly: no people were given to type (people=, or [people] in a plan)",
        ]
    firsts = dict.fromkeys(result.winners.values())
    changes = (
        f"  the winner is the same under all {len(result.winners)} conditions"
        if len(firsts) == 1
        else "  THE WINNER CHANGES with the condition: "
        + "; ".join(f"{winner} ({name})" for name, winner in result.winners.items())
    )
    return [heading, *lines, changes]


def _line(
    name: str,
    ranking: RankResult | PeopleRanking,
    needed: Callable[[str, str], int | None],
    units: str,
) -> str:
    def would(one: str, other: str) -> str:
        count = needed(one, other)
        return "" if count is None else f": {count:,} {units} would, if the difference is as seen"

    over, first, second = ranking.winner_lead, ranking.rows[0].layout, ranking.rows[1].layout
    rival = second if ranking.baseline in (None, first) else str(ranking.baseline)
    may = sum(row.may_be_best for row in ranking.rows)
    # Against the best of the others Hsu's interval ends at 0 where the first alone may be the best.
    apart = may == 1 if ranking.baseline in (None, first) else over.low > 0
    said = f"  {name:20}  {first}: {estimate_text(over, 4, sign=True)} over {rival}"
    if not apart:
        said += f", not distinguished{would(first, rival)}"
    said += f"; {may} of {len(ranking.rows)} layouts may be the best"
    if may > 1 and second != rival:
        said += f" (second {second}{would(first, second)})"
    return said
