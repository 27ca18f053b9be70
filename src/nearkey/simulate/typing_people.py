"""People who type in a ranking: each one's own touches, and the decoder's models of the others and of themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PlanError, TouchModelError
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.columns import Floats, Ints, join_rows
from nearkey.simulate.invented_hands import HandTouch, HandTraits
from nearkey.simulate.replay import PoolTouch, RecordedTouches, ReplayTouch
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.touch import (
    AdaptingTouch,
    PeopleTouch,
    TouchLog,
    clean,
    concat,
    touch_family,
)
from nearkey.touch.base import TouchBase
from nearkey.touch.key_geometry import geometry_of
from nearkey.touch.labelling import target_keys
from nearkey.touch.regression import RegressionTouch
from nearkey.touch.scaled import SizeScaledTouch

CARRYING = ("pooled", "regression", "size-scaled")
"""The families that carry over to keys nobody has touched."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DecoderModel:
    """What the decoder is taught of touches: the same family for every layout of a ranking.

    Parameters
    ----------
    model : what is fitted on a log, see `touch_family`. options : its parameters, as shrinkage.
    fit : after calibration, "alone" fits the person's own touches; "adapted" starts from the other people
        (`PeopleTouch`) and learns the person's touches on top.
    touches : a person makes for calibration, spread evenly over the keys: as many on every layout.
    touches_a_key : instead, so many for each key.

    Raises PlanError for values that cannot be meant.
    """

    model: str = "gaussian"
    options: Mapping[str, Any] = field(default_factory=dict)
    fit: Literal["alone", "adapted"] = "alone"
    n_touches: int = 60
    touches_a_key: int | None = None

    def __post_init__(self) -> None:
        if self.fit not in ("alone", "adapted"):
            raise PlanError(
                f"{self.fit!r} is not known", field="fit", fix='write "alone" or "adapted"'
            )
        if self.n_touches < 12 or (self.touches_a_key is not None and self.touches_a_key < 1):
            few = "touches_a_key" if self.n_touches >= 12 else "touches"
            raise PlanError("too few touches to fit on", field=few, fix="give 12 touches or more")
        self.unfitted()

    def unfitted(self) -> Any:
        """The model to fit; PlanError for one there is not, or options that it does not have."""
        try:
            return touch_family(self.model, **self.options)
        except TouchModelError as fault:
            field = fault.field if fault.field == "model" else f"options.{fault.field}"
            raise PlanError(fault.problem, field=field, fix=fault.fix) from None

    @property
    def carries(self) -> bool:
        """Whether it carries over to keys nobody has touched."""
        return bool(getattr(self.unfitted(), "in_millimetres", False))

    def count(self, layout: Layout) -> int:
        """Touches of a calibration on a layout."""
        if self.touches_a_key is None:
            return self.n_touches
        return max(12, self.touches_a_key * len(layout.letter_keys))

    def adapted(self, others: TouchLog, own: TouchLog, layout: Layout) -> Any:
        """The model after a person's calibration."""
        model = self.unfitted()
        if isinstance(model, AdaptingTouch):
            return model.fit(others, layout).partial_fit(own)
        if self.fit == "alone":
            return model.fit(own, layout)
        return PeopleTouch().fit(others, layout).person().partial_fit(own)


class TypingPeople(Protocol):
    """Who types in a ranking, besides the typist that the decoder knows exactly."""

    @property
    def names(self) -> tuple[str, ...]:
        """The people, two or more."""

    @property
    def how(self) -> str:
        """In a sentence: who they are, and what the decoder is fitted on."""

    def on(self, layout: Layout) -> PeopleOnLayout:
        """These people on a layout."""


class PeopleOnLayout(Protocol):
    """People on one layout, by their numbers from 0."""

    def generating(self, person: int, assumed: SamplingTouchModel) -> SamplingTouchModel:
        """Where the touches of a person land; `assumed` is what the decoder takes them to be."""

    def without(self, person: int) -> SamplingTouchModel:
        """The decoder's model fitted on the other people."""

    def calibrated(self, person: int) -> SamplingTouchModel:
        """The decoder's model fitted on the person's own calibration touches."""


@dataclass(frozen=True, slots=True)
class InventedPeople:
    """Invented people on any layout, each with a calibration of invented touches.

    Parameters
    ----------
    hands : a person's traits each (see `invent_hands`). decoder : what is fitted. seed : of the calibration touches.
    """

    hands: Sequence[HandTraits]
    decoder: DecoderModel = field(default_factory=DecoderModel)
    seed: Seed = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "seed", seed_number(self.seed))
        if len(self.hands) < 2:
            raise PlanError(
                f"{len(self.hands)} people give no interval", field="people", fix="invent 2 or more"
            )
        if self.decoder.model == "finger":
            raise PlanError(
                "invented people have no finger widths",
                field="decoder.model",
                fix="name another model, or rank by people of logs that give width_mm",
            )

    @property
    def names(self) -> tuple[str, ...]:
        """Names that say they are invented."""
        return tuple(f"invented-{n}" for n in range(1, len(self.hands) + 1))

    @property
    def how(self) -> str:
        """Who they are, and what the decoder is fitted on."""
        return (
            f"{len(self.hands)} invented people; the decoder's {self.decoder.model} model fitted on invented touches, "
            f"{_how_many(self.decoder)} a person"
        )

    def on(self, layout: Layout) -> PeopleOnLayout:
        """These people on a layout."""
        return _InventedOnLayout(self, layout)


class _InventedOnLayout:
    def __init__(self, people: InventedPeople, layout: Layout) -> None:
        self._people, self._layout = people, layout
        self._hands = [HandTouch(layout, traits) for traits in people.hands]
        seeds = np.random.SeedSequence(seed_number(people.seed), spawn_key=(4,)).spawn(
            len(self._hands)
        )
        count = people.decoder.count(layout)
        self._logs = [
            hand.calibration(count, np.random.default_rng(own), name)
            for hand, own, name in zip(self._hands, seeds, people.names, strict=True)
        ]

    def generating(self, person: int, assumed: SamplingTouchModel) -> SamplingTouchModel:
        return self._hands[person]

    def _others(self, person: int) -> TouchLog:
        return concat([log for i, log in enumerate(self._logs) if i != person])

    def without(self, person: int) -> SamplingTouchModel:
        model: SamplingTouchModel = self._people.decoder.unfitted().fit(
            self._others(person), self._layout
        )
        return model

    def calibrated(self, person: int) -> SamplingTouchModel:
        model: SamplingTouchModel = self._people.decoder.adapted(
            self._others(person), self._logs[person], self._layout
        )
        return model


def _how_many(decoder: DecoderModel) -> str:
    if decoder.touches_a_key is None:
        return f"{decoder.n_touches} touches"
    return f"{decoder.touches_a_key} touches a key"


@dataclass(frozen=True, slots=True)
class TouchesOnLayout:
    """A log as it was recorded, with what is needed to fit on it.

    log : uncleaned: it is what people type with. layout : recorded on. cleaned : whether fitting leaves out outliers.
    """

    log: TouchLog
    layout: Layout
    cleaned: bool = True

    def for_fitting(self, log: TouchLog) -> TouchLog:
        """Some of the touches without outliers, where they are to be cleaned."""
        return clean(log, self.layout)[0] if self.cleaned else log


class RecordedPeople:
    """The people of touch logs: they type with their own touches, uncleaned; cleaning serves fitting alone.

    Part of each person's touches on each log is set aside as calibration; the rest is what is typed with. A layout
    whose keys no log was recorded on is typed with the touches of the nearest keys (`ReplayTouch`), and decoded with a
    model carried over to it.

    Parameters
    ----------
    logs : recordings, each on its layout. decoder : what is fitted, the same family for every layout.
    typing : "touches" types with the person's own touches; "model" with touches drawn from the person's own
        fitted model.
    seed : of which touches are set aside.

    Raises PlanError for fewer than two people who are in all the logs, for a log with too few touches of a person, and
    for a family that does not carry over where it must.
    """

    def __init__(
        self,
        logs: Sequence[TouchesOnLayout],
        decoder: DecoderModel | None = None,
        *,
        typing: Literal["touches", "model"] = "touches",
        seed: Seed = 0,
    ) -> None:
        seed = seed_number(seed)
        if typing not in ("touches", "model"):
            raise PlanError(
                f"{typing!r} is not known", field="typing", fix='write "touches" or "model"'
            )
        self.logs = tuple(logs)
        self.decoder = decoder or DecoderModel()
        self.typing = typing
        self.seed = seed
        sets = [_people_of(one.log) for one in self.logs]
        everywhere = [name for name in (sets[0] if sets else []) if all(name in s for s in sets)]
        if len(everywhere) < 2:
            raise PlanError(
                f"{len(everywhere)} people are in all the logs",
                field="touch.logs",
                fix="record two people or more on every geometry, or invent people",
            )
        self._names = tuple(everywhere)
        self._parts = [_Parts(one, self, number) for number, one in enumerate(self.logs)]

    @property
    def names(self) -> tuple[str, ...]:
        """Who is in all the logs, in order of appearance."""
        return self._names

    @property
    def how(self) -> str:
        """Who they are, and what the decoder is fitted on."""
        own = "their own touches" if self.typing == "touches" else "touches of their own models"
        return (
            f"{len(self._names)} people of the logs type with {own}; the decoder's {self.decoder.model} model, "
            f"calibrated on {_how_many(self.decoder)} a person at most"
        )

    def on(self, layout: Layout) -> PeopleOnLayout:
        """These people on a layout."""
        for parts in self._parts:
            order = parts.geometry.match(geometry_of(_in_mm(layout)))
            if order is not None:
                return _RecordedOnLayout(parts, layout, order)
        if not self.decoder.carries:
            raise PlanError(
                f"no log was recorded on keys placed like those of {layout.name!r}",
                field="decoder.model",
                fix=f"record one, or use a family that carries over: {', '.join(CARRYING)}",
            )
        return _CarriedOnLayout(self._parts, self, layout)


def _people_of(log: TouchLog) -> list[str]:
    return list(dict.fromkeys(log.participant[log.target != ""].tolist()))


def _in_mm(layout: Layout) -> Layout:
    """The layout in millimetres, so that layouts in other units still match."""
    return layout.fitted(layout.width_mm, layout.height_mm)


class _Parts:
    """One log cut by person into calibration and typing; models fitted once."""

    def __init__(self, one: TouchesOnLayout, people: RecordedPeople, number: int) -> None:
        self.people = people
        self.layout = _in_mm(one.layout)
        self.geometry = geometry_of(self.layout)
        log = one.log.in_units_of(one.layout)
        log = log.with_points(log.points * (one.layout.unit_mm / self.layout.unit_mm))
        self.log = log.select(log.target != "")
        self.key = target_keys(self.log, self.geometry)
        self.calibrations: list[TouchLog] = []
        self.typed: list[Ints] = []
        wanted = people.decoder.count(self.layout)
        for i, name in enumerate(people.names):
            rng = np.random.default_rng(
                np.random.SeedSequence(people.seed, spawn_key=(5, number, i))
            )
            rows = np.flatnonzero(self.log.participant == name)
            learnt = _spread_evenly(self.key[rows], min(wanted, len(rows) // 2), rng)
            if len(learnt) < 12:
                raise PlanError(
                    f"{len(rows)} touches of {name!r} are too few to learn from half of them",
                    where=one.log.where,
                    field="person",
                    fix="record 24 or more of each person",
                )
            self.calibrations.append(self.log.select(rows[np.sort(learnt)]))
            self.typed.append(np.delete(rows, learnt))
        self.one = TouchesOnLayout(self.log, self.layout, one.cleaned)
        self.cleaned = self.one.for_fitting(self.log)
        self.models: dict[tuple[str, int], Any] = {}

    def others(self, person: int) -> TouchLog:
        """The cleaned touches of everyone else."""
        return self.cleaned.without_participant(self.people.names[person])

    def own(self, person: int) -> TouchLog:
        """The calibration of a person, cleaned."""
        return self.one.for_fitting(self.calibrations[person])


def _spread_evenly(key: Ints, wanted: int, rng: np.random.Generator) -> Ints:
    """Rows of about as many touches of each key, at random within it."""
    order = rng.permutation(len(key))
    seen: dict[int, int] = {}
    round_of = np.empty(len(key), dtype=np.int64)
    for row in order.tolist():
        round_of[row] = seen.get(int(key[row]), 0)
        seen[int(key[row])] = int(round_of[row]) + 1
    ranked = order[np.argsort(round_of[order], kind="stable")]
    return np.asarray(ranked[:wanted], dtype=np.int64)


class _RecordedOnLayout:
    def __init__(self, parts: _Parts, layout: Layout, order: NDArray[np.intp]) -> None:
        self._parts, self._layout, self._order = parts, layout, order
        self._scale = parts.layout.unit_mm / layout.unit_mm

    def _model(self, what: str, person: int, fit: Callable[[_Parts], Any]) -> SamplingTouchModel:
        """A model of the log, fitted once, for the keys of this layout."""
        models = self._parts.models
        if (what, person) not in models:
            models[what, person] = fit(self._parts)
        here: SamplingTouchModel = models[what, person].for_layout(_in_mm(self._layout))
        return here if self._scale == 1.0 else _Rescaled(here, self._scale)

    def generating(self, person: int, assumed: SamplingTouchModel) -> SamplingTouchModel:
        parts = self._parts
        if parts.people.typing == "model":
            name = parts.people.names[person]
            return self._model(
                "own",
                person,
                lambda parts: parts.people.decoder.unfitted().fit(
                    parts.one.for_fitting(parts.log.of_participant(name)), parts.layout
                ),
            )
        rows, points = parts.typed[person], parts.log.points
        offsets = points[rows] - parts.geometry.centers[parts.key[rows]]
        pools = []
        for column in self._order:
            mine = points[rows[parts.key[rows] == column]]
            # A key without a touch of this person's takes the person's offsets on all keys.
            pools.append(mine if len(mine) else parts.geometry.centers[column] + offsets)
        column_of = {key: i for i, key in enumerate(self._layout.key_ids)}
        ordered = [pools[column_of[key]] * self._scale for key in assumed.key_ids]
        return PoolTouch(ordered, assumed)

    def without(self, person: int) -> SamplingTouchModel:
        return self._model(
            "without",
            person,
            lambda parts: parts.people.decoder.unfitted().fit(parts.others(person), parts.layout),
        )

    def calibrated(self, person: int) -> SamplingTouchModel:
        return self._model(
            "calibrated",
            person,
            lambda parts: parts.people.decoder.adapted(
                parts.others(person), parts.own(person), parts.layout
            ),
        )


class _Rescaled:
    """A model of a layout in millimetres for the same layout in other units."""

    def __init__(self, model: Any, scale: float) -> None:
        self.key_ids = tuple(model.key_ids)
        self._model, self._scale = model, scale

    def log_prob(self, points: Floats) -> Floats:
        return np.asarray(
            self._model.log_prob(np.asarray(points) / self._scale) - 2 * np.log(self._scale)
        )

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        return np.asarray(self._model.sample(keys, seed) * self._scale)


class _CarriedOnLayout:
    """People on keys no log was recorded on: touches of the nearest keys, models carried over."""

    def __init__(self, parts: Sequence[_Parts], people: RecordedPeople, layout: Layout) -> None:
        self._parts, self._people, self._layout = parts, people, layout

    def generating(self, person: int, assumed: SamplingTouchModel) -> SamplingTouchModel:
        joined = join_rows(
            [
                RecordedTouches.of(part.log.select(part.typed[person]), part.layout)
                for part in self._parts
            ]
        )
        return ReplayTouch(self._layout, joined, assumed)

    def _fit(self, logs: Sequence[TouchLog]) -> SamplingTouchModel:
        layouts = [part.layout for part in self._parts]
        family = self._people.decoder.unfitted()
        model: SamplingTouchModel = fit_carried(family, logs, layouts, self._layout)
        return model

    def without(self, person: int) -> SamplingTouchModel:
        return self._fit([part.others(person) for part in self._parts])

    def calibrated(self, person: int) -> SamplingTouchModel:
        return self._fit([part.own(person) for part in self._parts])


def fit_carried(
    unfitted: TouchBase, logs: Sequence[TouchLog], layouts: Sequence[Layout], layout: Layout
) -> Any:
    """A model of keys that no log was recorded on, its spread widened by how far carrying over goes wrong.

    Where there are two logs or more, each is left out in turn and the others are carried to its keys: the variance
    there over the variance expected is how much wider touches on new keys must be taken to be. With one log, its own
    keys' offsets tell how far a key's mean strays from what all keys share.

    Parameters
    ----------
    unfitted : of a family of `CARRYING`. logs, layouts : the recordings. layout : whose keys the model is for.

    Raises TouchModelError for another family, and what fitting raises.
    """
    if not getattr(unfitted, "in_millimetres", False):
        raise TouchModelError(
            f"{unfitted.kind} does not carry over to other keys",
            field="model",
            fix=f"use one of {', '.join(CARRYING)}",
        )
    model = _fit_on(unfitted, logs, layouts).for_layout(layout)
    factor = _carried_factor(unfitted, logs, layouts)
    model._set_gaussians(model.means_, model.covariances_ * factor)
    return model


def _fit_on(unfitted: TouchBase, logs: Sequence[TouchLog], layouts: Sequence[Layout]) -> Any:
    fresh = type(unfitted)(**unfitted.get_params(deep=False))
    if isinstance(fresh, RegressionTouch | SizeScaledTouch):
        return fresh.fit(list(logs), list(layouts))
    fitted: Any = fresh.fit(logs[0], layouts[0])
    for log, layout in zip(logs[1:], layouts[1:], strict=True):
        fitted.partial_fit(log, layout)
    return fitted


def _carried_factor(
    unfitted: TouchBase, logs: Sequence[TouchLog], layouts: Sequence[Layout]
) -> float:
    """How many times wider, as a variance, touches on new keys are than a carried model says; 1 or more."""
    squares, numbers = 0.0, 0
    for i, (log, layout) in enumerate(zip(logs, layouts, strict=True)):
        key = target_keys(log, layout)
        rows = key >= 0
        points = log.in_units_of(layout).points[rows]
        rest = [j for j in range(len(logs)) if j != i]
        model = _fit_on(
            unfitted, *zip(*[(logs[j], layouts[j]) for j in rest or [i]], strict=True)
        ).for_layout(layout)
        away = points - model.means_[key[rows]]
        inverse = np.linalg.inv(model.covariances_)[key[rows]]
        squares += float(np.einsum("ni,nij,nj->", away, inverse, away)) / 2
        numbers += len(points)
    return max(1.0, squares / max(numbers, 1))
