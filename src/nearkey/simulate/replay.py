"""Recorded touches replayed as typing: results that do not rest on the distribution the decoder assumes.

For each key of a layout, the touches that one person made on the keys nearest in place and size are kept; a
replayed touch is the key's centre plus the offset of one of them, drawn at random. Offsets are replayed in
millimetres as they were, however large the keys. Order, rhythm and the pull of one touch on the next
are lost. Touch logs are personal data: see docs/benchmarking.md.

Beside matched typing the replay says how much of a result rests on touches being as the decoder assumes, and words made
of recorded touches how a touch model decodes a person it was not fitted on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack, TouchModel
from nearkey.errors import PlanError, TouchDataError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate, mean_over_people
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.columns import Floats, Ints, select_rows
from nearkey.simulate.outcomes import MEASURES
from nearkey.simulate.plain_data import PlainData, plain, row_named
from nearkey.simulate.running import run_trials
from nearkey.simulate.simulation_options import SimulationKeywords, SimulationOptions, StepCount
from nearkey.simulate.trial import Condition, TypingTrial, make_trials
from nearkey.simulate.workload import make_workload
from nearkey.touch import GaussianTouch, TouchLog
from nearkey.touch.key_geometry import Geometry, geometry_of
from nearkey.touch.labelling import label, target_keys

NEAREST = 40
"""Recorded touches a key draws from, unless told otherwise."""


@dataclass(frozen=True, slots=True)
class RecordedTouches:
    """Labelled touches of people, in millimetres.

    participant : (n,) text. offset_mm : (n, 2), touch minus the centre of the key meant. place_mm : (n, 2), that
    centre on the recorded surface. size_mm : (n, 2), that key's sides. surface_mm : the surface's sides.
    """

    participant: NDArray[np.str_]
    offset_mm: Floats
    place_mm: Floats
    size_mm: Floats
    surface_mm: tuple[float, float]

    @classmethod
    def of(cls, log: TouchLog, layout: Layout | Geometry) -> RecordedTouches:
        """The labelled touches of a log made on `layout`; touches without a target are left out.

        Raises what labelling raises: TouchDataError for a log that does not fit the layout.
        """
        found = label(log, layout)
        unit = found.geometry.unit_mm
        return cls(
            found.log.participant[found.rows],
            found.offsets * unit,
            found.geometry.centers[found.key] * unit,
            found.geometry.sizes[found.key] * unit,
            (found.geometry.width * unit, found.geometry.height * unit),
        )

    def __len__(self) -> int:
        return len(self.participant)

    @property
    def participants(self) -> tuple[str, ...]:
        """Who made them, in order of appearance."""
        return tuple(dict.fromkeys(self.participant.tolist()))

    def select(self, rows: NDArray[Any]) -> RecordedTouches:
        """Rows by mask or index."""
        return select_rows(self, rows, keep=("surface_mm",))

    def of_participant(self, participant: str) -> RecordedTouches:
        """One person's touches; PlanError where there are none."""
        rows = self.participant == participant
        if not rows.any():
            raise PlanError(
                f"no touches of {participant!r}",
                field="participant",
                fix=f"participants are {', '.join(self.participants[:8])}",
            )
        return self.select(rows)

    def others(self, participant: str) -> RecordedTouches:
        """Everyone else's touches."""
        return self.select(self.participant != participant)

    def halves(self, seed: Seed) -> tuple[RecordedTouches, RecordedTouches]:
        """Two halves at random: one to fit on, one to replay."""
        rng = np.random.default_rng(seed)
        order = rng.permutation(len(self))
        middle = len(self) // 2
        return self.select(np.sort(order[:middle])), self.select(np.sort(order[middle:]))


def _nearest(
    recorded: RecordedTouches, layout: Layout, at_mm: tuple[float, float] | None, nearest: int
) -> Ints:
    """For each key of the layout, the recorded touches nearest in place and size, (n_keys, m)."""
    if len(recorded) == 0:
        raise PlanError("no touches to replay", field="recorded", fix="record or choose some")
    if nearest < 1:
        raise PlanError(f"{nearest} touches a key", field="nearest", fix="draw from 1 or more")
    surface = np.asarray(recorded.surface_mm)
    centers = np.asarray(layout.centers) * layout.unit_mm
    sizes = np.asarray(layout.sizes) * layout.unit_mm
    if at_mm is None:
        own = np.asarray([layout.width_mm, layout.height_mm])
        centers = centers / own * surface
    else:
        centers = centers + np.asarray(at_mm)
    # A quarter of the surface's diagonal away counts like a side e times as long.
    scale = float(np.hypot(*surface)) / 4
    away = ((centers[:, None, :] - recorded.place_mm) ** 2).sum(axis=2) / scale**2
    unlike = (np.log(sizes[:, None, :] / recorded.size_mm) ** 2).sum(axis=2)
    order = np.argsort(away + unlike, axis=1, kind="stable")
    return np.asarray(order[:, : min(nearest, len(recorded))], dtype=np.int64)


class PoolTouch:
    """Draws from a pool of touches of each key; as a touch model it says what `assumed` does.

    Parameters
    ----------
    pools : touches (m, 2) of each key of `assumed`, in layout units. assumed : the model the decoder assumes.
    """

    def __init__(self, pools: Sequence[Floats], assumed: TouchModel) -> None:
        self.key_ids: tuple[str, ...] = tuple(assumed.key_ids)
        self._assumed = assumed
        self._points = np.concatenate(pools)
        self._sizes = np.array([len(pool) for pool in pools])
        self._starts = np.cumsum(self._sizes) - self._sizes

    def log_prob(self, points: Floats) -> Floats:
        """What the assumed model says."""
        return self._assumed.log_prob(points)

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        """Touches (n, 2) meant for keys given by column: a uniform number for each, whatever the layout."""
        rng = np.random.default_rng(seed)
        index = np.asarray(keys, dtype=np.int64)
        place = (rng.random(len(index)) * self._sizes[index]).astype(np.int64)
        return np.asarray(self._points[self._starts[index] + place])


class ReplayTouch(PoolTouch):
    """Draws recorded touches; as a touch model it says what `assumed` does.

    Parameters
    ----------
    layout : what is typed on. recorded : whose touches are drawn, usually one person's.
    assumed : the model the decoder assumes, for the same layout.
    at_mm : where the layout's upper left corner lies on the recorded surface; without it, places are
        compared as shares of the two surfaces.
    nearest : how many recorded touches a key draws from.

    Raises PlanError where there is nothing to draw from.
    """

    def __init__(
        self,
        layout: Layout,
        recorded: RecordedTouches,
        assumed: TouchModel,
        *,
        at_mm: tuple[float, float] | None = None,
        nearest: int = NEAREST,
    ) -> None:
        rows = [layout.key_index(key) for key in assumed.key_ids]
        near = _nearest(recorded, layout, at_mm, nearest)[rows]
        offsets = recorded.offset_mm[near] / layout.unit_mm
        super().__init__(list(np.asarray(layout.centers)[rows][:, None, :] + offsets), assumed)


def log_near(
    recorded: RecordedTouches,
    layout: Layout,
    *,
    at_mm: tuple[float, float] | None = None,
    nearest: int = NEAREST,
) -> TouchLog:
    """Recorded touches carried over to a layout's keys, as a log any touch model can be fitted on.

    Each key gets the `nearest` touches it would be replayed from; a touch may serve several keys.
    """
    pool = _nearest(recorded, layout, at_mm, nearest)
    key = np.repeat(np.arange(len(pool)), pool.shape[1])
    points = np.asarray(layout.centers)[key] + recorded.offset_mm[pool.ravel()] / layout.unit_mm
    ids = np.asarray(layout.key_ids)
    return TouchLog.from_points(
        points, ids[key], participant=recorded.participant[pool.ravel()].tolist()
    )


class RecordedWords:
    """Decodes words whose letters are touches a person made for those keys.

    Called with a touch model and a log, it draws words of the pack by frequency, takes for each letter one of
    the log's touches for its key at random, decodes without context, and gives (words right first, words).
    Words with a letter whose key the log never targets are not drawn. The touches of a word were not made
    in that order: this judges a model's densities, not how people type words.

    Parameters
    ----------
    layout : the keys. pack : the words. words : how many to draw for each log. seed : of words and touches;
        every model gets the same ones.
    """

    def __init__(
        self, layout: Layout, pack: LanguagePack, *, words: int = 200, seed: int = 0
    ) -> None:
        self._layout = layout
        self._pack = pack
        self._words = words
        self._seed = seed
        self._like: TypingTrial | None = None

    def __call__(self, model: TouchModel, log: TouchLog) -> tuple[int, int]:
        touches = _OwnTouches(self._layout, model, log)
        options = SimulationOptions(words=self._words, seed=self._seed)
        try:
            workload = make_workload(
                self._pack, None, words=self._words, seed=self._seed, letters=touches.letters
            )
        except PlanError:
            return 0, 0
        condition = Condition(self._layout, touches, model)
        trial = TypingTrial(
            condition, self._pack, workload.vocabulary, options, k=1, like=self._like
        )
        self._like = self._like or trial
        found = trial.judge(trial.type_first(workload, self._words)).outcomes
        return int((found.rank == 1).sum()), len(found)


class _OwnTouches(PoolTouch):
    """Draws a log's own touches of each key; as a touch model it says what `assumed` does. `letters` have touches."""

    def __init__(self, layout: Layout, assumed: TouchModel, log: TouchLog) -> None:
        points = log.in_units_of(layout).points
        key = target_keys(log, geometry_of(layout))
        self.letters = "".join(c for c, own in layout.key_of_letter.items() if (key == own).any())
        if not self.letters:
            raise TouchDataError(
                "holds no touch for a letter of the layout", field="target", fix="check the layout"
            )
        pools = [points[key == layout.key_index(name)] for name in assumed.key_ids]
        # No word has a letter on a key without touches: what stands for those is never decoded.
        super().__init__([own if len(own) else points[:1] for own in pools], assumed)


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
        for name, judged in run_trials(trials, part, person_options).items():
            for measure, of in shares.items():
                of[name].append(MEASURES[measure].estimate(judged.outcomes).value)
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
