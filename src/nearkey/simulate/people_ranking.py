"""Rankings by people whom the decoder does not know exactly, beside the ranking where it does.

Two conditions: the decoder fitted on everyone else, and fitted on the person's own calibration. Each person types words
of their own, the same on every layout with common random numbers; intervals are over people.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.intervals import (
    Estimate,
    items_to_distinguish,
    mean_over_people,
    with_a_control,
    with_the_best,
)
from nearkey.layout import Layout
from nearkey.seeds import seed_number
from nearkey.simulate.columns import Floats
from nearkey.simulate.outcomes import MEASURES, RANKED
from nearkey.simulate.plain_data import plain, row_named
from nearkey.simulate.running import run_trials
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.trial import Condition, TypingTrial, make_trials
from nearkey.simulate.typing_people import PeopleOnLayout, TypingPeople
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.simulate.workload import Workload
from nearkey.text_table import estimate_text, text_table

LEFT_OUT = "leave one person out"
CALIBRATED = "after calibration"
SAYS = {
    LEFT_OUT: "each person types, the decoder is fitted on the others",
    CALIBRATED: "each person types, the decoder is fitted on touches of that person",
}
PeopleModels = Sequence[tuple[PeopleOnLayout, SamplingTouchModel, SamplingTouchModel]]
"""People on a layout, and for each the decoder's model without the person and after the person's calibration."""


@dataclass(frozen=True, slots=True)
class PeopleRow:
    """One layout under one condition: means over people, intervals over people (Student's t).

    values : of each measure. to_best : of the measure that ranks, less the best of the others', all layouts at once
        (Hsu 1984). may_be_best : whether it may be the best. to_baseline : paired by person, all layouts at once for
        the measure that ranks (Dunnett 1955), one at a time for the others; None without a baseline.
    """

    layout: str
    place: int
    values: dict[str, Estimate]
    to_best: Estimate
    may_be_best: bool
    to_baseline: dict[str, Estimate] | None


@dataclass(frozen=True, slots=True)
class PeopleRanking:
    """A ranking under one condition, best layout first. `str()` is its table.

    condition : its name. says : what it is. how : who typed, and what the decoder was fitted on.
    people : their names. words_each : that each typed. by : the measure that ranks. baseline : as of the ranking.
    rows : best first. each : for each measure the figures of each person (rows) on each layout (columns, as in
        `layouts`).
    """

    condition: str
    says: str
    how: str
    people: tuple[str, ...]
    words_each: int
    by: str
    baseline: str | None
    rows: tuple[PeopleRow, ...]
    layouts: tuple[str, ...]
    each: Mapping[str, Floats]

    @classmethod
    def build(
        cls,
        condition: str,
        how: str,
        people: Sequence[str],
        words_each: int,
        layouts: Sequence[str],
        each: Mapping[str, Floats],
        *,
        by: str,
        baseline: str | None,
    ) -> PeopleRanking:
        """Rows from each person's figures."""
        measure, names = MEASURES[by], list(layouts)
        order = np.argsort(-measure.sign * each[by].mean(axis=0), kind="stable")
        best = with_the_best(measure.sign * each[by])
        at = None if baseline is None else names.index(baseline)
        controlled = None if at is None else with_a_control(each[by], at)
        rows = []
        for place, i in enumerate(order.tolist(), start=1):
            to_baseline = None
            if at is not None and controlled is not None:
                to_baseline = {
                    name: mean_over_people(found[:, i] - found[:, at])
                    for name, found in each.items()
                }
                to_baseline[by] = controlled[i]
            rows.append(
                PeopleRow(
                    names[i],
                    place,
                    {name: MEASURES[name].over_people(found[:, i]) for name, found in each.items()},
                    measure.better(best[i].to_best),
                    best[i].may_be_best,
                    to_baseline,
                )
            )
        return cls(
            condition,
            SAYS[condition],
            how,
            tuple(people),
            words_each,
            by,
            baseline,
            tuple(rows),
            tuple(names),
            dict(each),
        )

    @property
    def winner(self) -> str:
        """The first layout."""
        return self.rows[0].layout

    def row(self, layout: str) -> PeopleRow:
        """The row of a layout; PlanError where there is none."""
        return row_named(self.rows, layout)

    def lead(self, layout: str, other: str) -> Estimate:
        """One layout less another in the measure that ranks, paired by person, turned so that more is better."""
        values = self.each[self.by]
        one, two = self.layouts.index(layout), self.layouts.index(other)
        return MEASURES[self.by].better(mean_over_people(values[:, one] - values[:, two]))

    @property
    def winner_lead(self) -> Estimate:
        """The first layout's lead over the baseline, or over the best of the others where it is the baseline or there
        is none, for all layouts together; more is better."""
        first = self.rows[0]
        over = None if self.baseline == first.layout else first.to_baseline
        return MEASURES[self.by].better(over[self.by] if over else first.to_best)

    def people_needed(self, layout: str, other: str) -> int | None:
        """People in all who would tell these two apart four times in five, if their difference is the one seen."""
        return items_to_distinguish(self.lead(layout, other), len(self.people))

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        data = cast(dict[str, Any], plain(replace(self, each={})))
        data["each"] = {name: found.tolist() for name, found in self.each.items()}
        return data

    def __str__(self) -> str:
        return self.table()

    def table(self, limit: int | None = None) -> str:
        """The table as text, the first `limit` rows and the baseline."""
        heads = ["", "layout", self.by, "to the best"]
        heads += [] if self.baseline is None else [f"to {self.baseline}"]
        lines = []
        for row in self.rows:
            if limit is not None and row.place > limit and row.layout != self.baseline:
                continue
            value = row.values[self.by]
            line = [
                f"{row.place}{'' if row.may_be_best else '-'}",
                row.layout,
                estimate_text(value, 4),
                estimate_text(row.to_best, 4, sign=True),
            ]
            if row.to_baseline is not None:
                line.append(estimate_text(row.to_baseline[self.by], 4, sign=True))
            lines.append(line)
        return "\n".join(
            [
                f"{self.condition}: {self.says}; {self.how}; {self.words_each} words each, intervals over people",
                text_table(heads, lines, left=(1,), named=2),
            ]
        )


def rank_by_people(
    layouts: Sequence[Layout],
    people: TypingPeople,
    on: Mapping[str, PeopleModels],
    *,
    trials: Mapping[str, TypingTrial],
    pack: LanguagePack,
    workload: Workload,
    words_each: int,
    options: SimulationOptions,
    by: str,
    baseline: str | None,
    done: Callable[[str], None] = lambda name: None,
) -> tuple[PeopleRanking, ...]:
    """The layouts ranked by people under both conditions.

    Parameters
    ----------
    layouts : candidates. people : who types. on : they on each layout by its name, with the decoder's models.
    trials : of the matched condition, whose tries and spellings are shared.
    pack : lexicon and language model. workload : its words are dealt out, `words_each` a person.
    options, by, baseline : as of the ranking. done : called with a layout's name after each chunk.

    """
    names = [layout.name for layout in layouts]
    shape = len(people.names), len(layouts)
    found = {condition: {measure: np.empty(shape) for measure in RANKED} for condition in SAYS}
    seeds = np.random.SeedSequence(seed_number(options.seed), spawn_key=(6,)).generate_state(
        shape[0], np.uint32
    )
    for person in range(shape[0]):
        part = workload.part(person * words_each, (person + 1) * words_each)
        own = replace(options, seed=int(seeds[person]), progress=None)
        made: dict[tuple[str, str], TypingTrial] = {}
        for layout in layouts:
            there, without, calibrated = on[layout.name][person]
            typing = {
                (name, layout.name): Condition(layout, there.generating(person, assumed), assumed)
                for name, assumed in ((LEFT_OUT, without), (CALIBRATED, calibrated))
            }
            made |= make_trials(typing, pack, workload.vocabulary, own, like=trials[layout.name])
        judged = run_trials(made, part, own, done=lambda name: done(name[1]))
        for (condition, layout_name), one in judged.items():
            column = names.index(layout_name)
            for measure in RANKED:
                figure = MEASURES[measure].estimate(one.outcomes).value
                found[condition][measure][person, column] = figure
    return tuple(
        PeopleRanking.build(
            condition,
            people.how,
            people.names,
            words_each,
            names,
            each,
            by=by,
            baseline=baseline,
        )
        for condition, each in found.items()
    )
