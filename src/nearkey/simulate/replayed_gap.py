"""Matched and replayed typing side by side: how much of a result rests on touches being as the decoder assumes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, mean_over_people
from nearkey.layout import Layout
from nearkey.seeds import seed_number
from nearkey.simulate.condition import Condition
from nearkey.simulate.outcomes import MEASURES
from nearkey.simulate.plain_data import PlainData, plain, row_named
from nearkey.simulate.replay import NEAREST, RecordedTouches, ReplayTouch, log_near
from nearkey.simulate.running import run_trials
from nearkey.simulate.simulation_options import SimulationKeywords, SimulationOptions, StepCount
from nearkey.simulate.trial import Judged, TypingTrial, make_trials
from nearkey.touch import GaussianTouch, TouchLog

CONDITIONS = {
    "matched": "touches drawn from the model the decoder assumes, fitted on the person's first half",
    "replayed": "the person's other half of touches; the same model",
    "replayed, leave-one-person-out": "the same touches; a model fitted on everyone else",
}

Fit = Callable[[TouchLog, Layout], Any]


@dataclass(frozen=True, slots=True)
class ReplayRow:
    """One condition: means over people, with 95 % intervals over people.

    top1, top3 : share of words. to_matched : top1 minus the matched condition's, paired by person.
    """

    condition: str
    participants: int
    words: int
    top1: Estimate
    top3: Estimate
    to_matched: Estimate


@dataclass(frozen=True, slots=True, repr=False)
class ReplayGap(Tabular, PlainData):
    """Matched and replayed typing on one layout. The gap between them is the honest number."""

    layout: str
    rows: tuple[ReplayRow, ...]

    def row(self, condition: str) -> ReplayRow:
        """The row of a condition; PlanError where there is none."""
        return row_named(self.rows, condition, field="condition")

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each condition."""
        return [{"layout": self.layout, **plain(row)} for row in self.rows]

    def __str__(self) -> str:
        lines = [f"{self.layout}: {self.rows[0].participants} people, {self.rows[0].words} words"]
        for row in self.rows:
            top1, gap = row.top1, row.to_matched
            lines.append(
                f"{row.condition:30} top-1 {100 * top1.value:5.1f} % [{100 * top1.low:.1f}, "
                f"{100 * top1.high:.1f}]  to matched {100 * gap.value:+.1f} "
                f"[{100 * gap.low:+.1f}, {100 * gap.high:+.1f}]"
            )
        return "\n".join(lines)


def replay_gap(
    layout: Layout,
    recorded: RecordedTouches,
    *,
    pack: LanguagePack,
    words_each: int = 200,
    at_mm: tuple[float, float] | None = None,
    nearest: int = NEAREST,
    participants: Sequence[str] | None = None,
    fit: Fit = lambda log, layout: GaussianTouch().fit(log, layout),
    **keywords: Unpack[SimulationKeywords],
) -> ReplayGap:
    """Let people's recorded touches type words on a layout, beside touches drawn from the model.

    Each person types words of their own, the same in every condition. Half of their touches, at random, fit
    the model; the other half are replayed.

    Parameters
    ----------
    layout, recorded, at_mm, nearest : see `ReplayTouch`.
    pack : lexicon and language model.
    words_each : words a person types. participants : of the recorded; all by default.
    fit : makes the decoder's touch model from a log and a layout.
    keywords : as of `rank_layouts`, without words.

    Raises PlanError for fewer than two people: intervals are over people.
    """
    chosen = list(participants or recorded.participants)
    if len(chosen) < 2:
        raise PlanError(
            f"{len(chosen)} people give no interval", field="participants", fix="replay 2 or more"
        )
    if "words" in keywords:
        raise PlanError("are each person's own", field="words", fix="give words_each")
    options = SimulationOptions.of({**keywords, "words": words_each * len(chosen)})
    workload = options.workload(pack, layout.letters)
    progress = StepCount(options, len(chosen))
    shares: dict[str, dict[str, list[float]]] = {
        measure: {name: [] for name in CONDITIONS} for measure in ("top1", "top3")
    }
    like: TypingTrial | None = None
    for number, person in enumerate(chosen):
        learnt, kept = recorded.of_participant(person).halves(
            np.random.default_rng([seed_number(options.seed), number])
        )
        own = fit(log_near(learnt, layout, at_mm=at_mm, nearest=nearest), layout)
        others = recorded.others(person)
        left_out = fit(
            log_near(others, layout, at_mm=at_mm, nearest=nearest * (len(chosen) - 1)), layout
        )
        part = workload.part(number * words_each, (number + 1) * words_each)
        person_options = replace(options, seed=seed_number(options.seed) + number, progress=None)
        replayed = [
            Condition(
                layout, ReplayTouch(layout, kept, assumed, at_mm=at_mm, nearest=nearest), assumed
            )
            for assumed in (own, left_out)
        ]
        typing = dict(zip(CONDITIONS, (Condition.matched(layout, own), *replayed), strict=True))
        trials = make_trials(typing, pack, part.vocabulary, person_options, k=3, like=like)
        like = like or trials["matched"]
        for name, parts in run_trials(trials, part, person_options).items():
            outcomes = Judged.join(parts).outcomes
            for measure, of in shares.items():
                of[name].append(MEASURES[measure].estimate(outcomes).value)
        progress.step(layout.name, person)
    top1, top3 = shares["top1"], shares["top3"]
    return ReplayGap(
        layout.name,
        tuple(
            ReplayRow(
                condition=name,
                participants=len(chosen),
                words=options.words,
                top1=MEASURES["top1"].over_people(top1[name]),
                top3=MEASURES["top3"].over_people(top3[name]),
                to_matched=mean_over_people(np.subtract(top1[name], top1["matched"])),
            )
            for name in CONDITIONS
        ),
    )
