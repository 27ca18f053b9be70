"""Matched and replayed typing side by side: how much of a result rests on the model being the truth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder, LanguagePack
from nearkey.errors import PlanError
from nearkey.intervals import Estimate, paired_difference
from nearkey.layout import Layout
from nearkey.simulate.corpora import Corpus
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.judge import score_decoder
from nearkey.simulate.outcomes import plain
from nearkey.simulate.replay import NEAREST, RecordedTouches, ReplayTouch, log_near
from nearkey.simulate.typed import make_workload, type_workload
from nearkey.touch import GaussianTouch, TouchLog

__all__ = ["CONDITIONS", "ReplayGap", "ReplayRow", "replay_gap"]

CONDITIONS = {
    "matched": "touches drawn from the model the decoder assumes, fitted on the person's first half",
    "replayed": "the person's other half of touches; the same model",
    "replayed, stranger's model": "the same touches; a model fitted on everyone else",
}

Fit = Callable[[TouchLog, Layout], Any]


@dataclass(frozen=True, slots=True)
class ReplayRow:
    """One condition: means over people, with 95 % intervals over people.

    top1, top3 : share of words. to_matched : top1 minus the matched condition's, paired by person.
    """

    condition: str
    people: int
    words: int
    top1: Estimate
    top3: Estimate
    to_matched: Estimate

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "condition": self.condition,
            "people": self.people,
            "words": self.words,
            "top1": plain(self.top1),
            "top3": plain(self.top3),
            "to_matched": plain(self.to_matched),
        }


@dataclass(frozen=True, slots=True)
class ReplayGap:
    """Matched and replayed typing on one layout. The gap between them is the honest number."""

    layout: str
    rows: tuple[ReplayRow, ...]

    def row(self, condition: str) -> ReplayRow:
        """The row of a condition."""
        return next(row for row in self.rows if row.condition == condition)

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"layout": self.layout, "rows": [row.to_dict() for row in self.rows]}

    def __str__(self) -> str:
        lines = [f"{self.layout}: {self.rows[0].people} people, {self.rows[0].words} words"]
        for row in self.rows:
            top1, gap = row.top1, row.to_matched
            lines.append(
                f"{row.condition:28} top-1 {100 * top1.value:5.1f} % [{100 * top1.low:.1f}, "
                f"{100 * top1.high:.1f}]  to matched {100 * gap.value:+.1f} "
                f"[{100 * gap.low:+.1f}, {100 * gap.high:+.1f}]"
            )
        return "\n".join(lines)


def _gaussian(log: TouchLog, layout: Layout) -> Any:
    return GaussianTouch().fit(log, layout)


def replay_gap(
    layout: Layout,
    recorded: RecordedTouches,
    *,
    pack: LanguagePack,
    corpus: Corpus | None = None,
    words_each: int = 200,
    seed: int = 0,
    at_mm: tuple[float, float] | None = None,
    nearest: int = NEAREST,
    people: Sequence[str] | None = None,
    fit: Fit = _gaussian,
    threads: int = 1,
    progress: Callable[[str], None] | None = None,
) -> ReplayGap:
    """Let people's recorded touches type words on a layout, beside touches drawn from the model.

    Each person types words of their own, the same in every condition. Half of their touches, at random, fit
    the model; the other half are replayed.

    Parameters
    ----------
    layout, recorded, at_mm, nearest : see `ReplayTouch`.
    corpus : running text, decoded with its context; None draws words by their probability in the pack.
    words_each : words a person types. people : of the recorded; all by default.
    fit : makes the decoder's touch model from a log and a layout.
    progress : called with each person done.

    Raises PlanError for fewer than two people: intervals are over people.
    """
    chosen = list(people or recorded.people)
    if len(chosen) < 2:
        raise PlanError(
            f"{len(chosen)} people give no interval", field="people", fix="replay 2 or more"
        )
    total = words_each * len(chosen)
    workload = make_workload(
        pack, corpus, words=total, seed=seed, letters=layout.letters, context=corpus is not None
    )
    top1: dict[str, list[float]] = {name: [] for name in CONDITIONS}
    top3: dict[str, list[float]] = {name: [] for name in CONDITIONS}
    shared: Decoder | None = None
    for number, person in enumerate(chosen):
        rng = np.random.default_rng([seed, number])
        learnt, kept = recorded.of_person(person).halves(rng)
        own = fit(log_near(learnt, layout, at_mm=at_mm, nearest=nearest), layout)
        others = recorded.others(person)
        stranger = fit(
            log_near(others, layout, at_mm=at_mm, nearest=nearest * (len(chosen) - 1)), layout
        )
        part = workload.part(number * words_each, (number + 1) * words_each)
        for condition in CONDITIONS:
            belief = stranger if "stranger" in condition else own
            truth = (
                own
                if condition == "matched"
                else ReplayTouch(layout, kept, belief, at_mm=at_mm, nearest=nearest)
            )
            if shared is None:
                shared = Decoder(layout, belief, pack)
            decoder = OwnDecoder(shared.with_layout(layout, belief), threads=threads)
            typed = type_workload(layout, truth, part, seed=seed + number)
            rank = score_decoder(typed, decoder, name=condition, posterior=False).outcomes.rank
            top1[condition].append(_share(rank, 1))
            top3[condition].append(_share(rank, 3))
        if progress is not None:
            progress(person)
    zero = np.zeros(len(chosen))
    return ReplayGap(
        layout.name,
        tuple(
            ReplayRow(
                condition=name,
                people=len(chosen),
                words=total,
                top1=paired_difference(np.asarray(top1[name]), zero),
                top3=paired_difference(np.asarray(top3[name]), zero),
                to_matched=paired_difference(np.asarray(top1[name]), np.asarray(top1["matched"])),
            )
            for name in CONDITIONS
        ),
    )


def _share(rank: NDArray[np.int64], k: int) -> float:
    return float(((rank > 0) & (rank <= k)).mean())
