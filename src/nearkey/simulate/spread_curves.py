"""How noisy touches are on a layout, and how a lead depends on their spread and on what the decoder believes of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Unpack, cast

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.outcomes import MEASURES
from nearkey.simulate.plain_data import PlainData, plain
from nearkey.simulate.running import run_trials
from nearkey.simulate.simulation_options import SimulationKeywords, SimulationOptions, StepCount
from nearkey.simulate.trial import Condition, TouchSource, make_trials
from nearkey.simulate.typist import SamplingTouchModel
from nearkey.touch.components import Components, log_density

_DRAWS = 200


@dataclass(frozen=True, slots=True)
class LayoutNoise:
    """Touches on the letter keys of a layout, means over the keys.

    spread_mm : standard deviation, root mean square of the two axes. offset_mm : how far a key's mean touch lies from
    its centre. touches_a_key : that the model was fitted on, NaN where it says nothing of that.
    """

    spread_mm: float
    offset_mm: float
    touches_a_key: float

    @classmethod
    def of(cls, layout: Layout, touch: SamplingTouchModel) -> LayoutNoise:
        """Of the model where touches land: as stated, or of touches drawn from it where it states nothing."""
        ids = [key.id for key in layout.letter_keys]
        rows = [list(touch.key_ids).index(key) for key in ids]
        stated: Any = touch
        if hasattr(touch, "means_") and hasattr(touch, "covariances_"):
            means, covariances = stated.means_[rows], stated.covariances_[rows]
        else:
            keys = np.repeat(rows, _DRAWS)
            drawn = np.asarray(touch.sample(keys, np.random.default_rng(0)))
            drawn = drawn.reshape(len(rows), _DRAWS, 2)
            means = drawn.mean(axis=1)
            covariances = np.stack([np.cov(one, rowvar=False) for one in drawn])
        centers = np.asarray(layout.centers)[[layout.key_index(key) for key in ids]]
        counted = np.asarray(getattr(stated, "n_touches_", math.nan))
        variance = np.trace(covariances, axis1=1, axis2=2) / 2
        return cls(
            float(np.sqrt(variance.mean())) * layout.unit_mm,
            float(np.hypot(*(means - centers).T).mean()) * layout.unit_mm,
            float(counted) / len(rows) if np.ndim(counted) == 0 else float(counted[rows].mean()),
        )


SPREADS = (0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.0)
BELIEFS = (0.4, 0.55, 0.7, 0.85, 1.0, 1.2, 1.5)


class ScaledTouch:
    """A touch model with every spread so many times as wide, about the same means.

    Parameters
    ----------
    model : with `components`, as all fitted models have. factor : above 0.
    """

    def __init__(self, model: SamplingTouchModel, factor: float) -> None:
        self.key_ids = tuple(model.key_ids)
        self._model, self._factor = model, factor
        stated: Components = cast(Any, model).components()
        n = len(self.key_ids)
        weight = np.exp(np.asarray(stated.log_weight))
        total = np.bincount(stated.key, weights=weight, minlength=n)
        self._middle = np.column_stack(
            [
                np.bincount(stated.key, weights=weight * stated.mean[:, axis], minlength=n) / total
                for axis in (0, 1)
            ]
        )
        middle = self._middle[stated.key]
        self._components = replace(
            stated,
            mean=np.ascontiguousarray(middle + factor * (stated.mean - middle)),
            precision=np.ascontiguousarray(stated.precision / factor**2),
            log_norm=np.ascontiguousarray(stated.log_norm - 2 * math.log(factor)),
        )

    def components(self) -> Components:
        """The densities as components, for the compiled kernel."""
        return self._components

    def log_prob(self, points: Floats) -> Floats:
        """Natural log densities (n, n_keys) of points (n, 2)."""
        return log_density(self._components, points, len(self.key_ids))

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        """Touches (n, 2) for keys given by column, by the same random numbers as the model's own."""
        middle = self._middle[np.asarray(keys, dtype=np.int64)]
        return np.asarray(middle + self._factor * (self._model.sample(keys, seed) - middle))


@dataclass(frozen=True, slots=True)
class NoiseCurve:
    """The lead of a layout over the baseline, a point a factor.

    about : "spread" scales touches and what the decoder assumes alike; "belief" only what it assumes.
    factors : ascending. leads : paired, more is better. crossing : the least factor at which the sign changes, by
    straight lines between the points, with its bootstrap interval (an end is infinite, or 0, where the curve does not
    cross on that side); None where the curve does not cross.
    """

    about: str
    factors: tuple[float, ...]
    leads: tuple[Estimate, ...]
    crossing: Estimate | None

    def __str__(self) -> str:
        if self.crossing is None:
            side = "ahead" if self.leads[len(self.leads) // 2].value > 0 else "behind"
            return f"is {side} from {self.factors[0]:g} to {self.factors[-1]:g} times it"
        return f"crosses 0 at {self.crossing.value:.2f} [{self.crossing.low:.2f}, {self.crossing.high:.2f}] times it"


@dataclass(frozen=True, slots=True, repr=False)
class NoiseCurves(Tabular, PlainData):
    """A layout's lead over the baseline against spread and belief. `str()` says where it crosses.

    by : the measure. spread_mm : the baseline's spread at factor 1. words : typed at each point.
    """

    layout: str
    baseline: str
    by: str
    words: int
    spread_mm: float
    spread: NoiseCurve
    belief: NoiseCurve

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each factor of the spread, then of the spread believed."""
        return [
            {"about": curve.about, "factor": factor, "lead": plain(lead)}
            for curve in (self.spread, self.belief)
            for factor, lead in zip(curve.factors, curve.leads, strict=True)
        ]

    def __str__(self) -> str:
        return (
            f"the lead of {self.layout} over {self.baseline} ({self.by}), against the spread of touches "
            f"({self.spread_mm:.2f} mm on {self.baseline}), {self.spread}; against the spread that the decoder "
            f"believes in, touches as they are, {self.belief}"
        )


def noise_curves(
    layout: Layout,
    baseline: Layout,
    *,
    touch: TouchSource,
    pack: LanguagePack,
    by: str = "top3",
    spreads: Sequence[float] = SPREADS,
    beliefs: Sequence[float] = BELIEFS,
    **keywords: Unpack[SimulationKeywords],
) -> NoiseCurves:
    """Type the same words at every factor of spread, and of the decoder's belief, on two layouts.

    Parameters
    ----------
    layout, baseline : whose lead over whom. touch : where touches land at factor 1, as of `rank_layouts`; models have
        `components`. pack : lexicon and language model. by : the measure.
    spreads, beliefs : factors above 0, two or more each, ascending.
    keywords : as of `rank_layouts`; `words` is of each point.

    Raises PlanError for factors that cannot be meant.
    """
    options = SimulationOptions.of({"words": 4000, **keywords})
    for name, factors in (("spreads", spreads), ("beliefs", beliefs)):
        if len(factors) < 2 or min(factors) <= 0 or list(factors) != sorted(set(factors)):
            raise PlanError(
                f"is {', '.join(map(str, factors))}",
                field=name,
                fix="give two or more, ascending, above 0",
            )
    letters = "".join(sorted(set(layout.letters) & set(baseline.letters)))
    workload = options.workload(pack, letters)
    progress = StepCount(options, 2 * (len(spreads) + len(beliefs)) * workload.n_chunks)
    typing: dict[tuple[str, float, str], Condition] = {}
    for one in (layout, baseline):
        own = Condition.of(one, touch).generating
        for about, factors in (("spread", spreads), ("belief", beliefs)):
            for factor in factors:
                scaled = own if factor == 1.0 else ScaledTouch(own, factor)
                where = scaled if about == "spread" else own
                typing[about, factor, one.name] = Condition(one, where, scaled)
    judged = run_trials(
        make_trials(typing, pack, workload.vocabulary, options),
        workload,
        options,
        done=lambda name: progress.step(name[2]),
    )
    measure = MEASURES[by]
    curves = {}
    for about, factors in (("spread", spreads), ("belief", beliefs)):
        pairs = [
            [judged[about, factor, one.name].outcomes for one in (layout, baseline)]
            for factor in factors
        ]
        units = [measure.units(pair) for pair in pairs]
        gaps = np.column_stack([unit[:, 0] - unit[:, 1] for unit in units])
        curves[about] = NoiseCurve(
            about,
            tuple(factors),
            tuple(measure.gain(*pair) for pair in pairs),
            _crossing(np.asarray(factors, dtype=np.float64), gaps, seed_number(options.seed)),
        )
    base = Condition.of(baseline, touch).generating
    return NoiseCurves(
        layout.name,
        baseline.name,
        by,
        len(workload),
        LayoutNoise.of(baseline, base).spread_mm,
        curves["spread"],
        curves["belief"],
    )


def _crossing(factors: Floats, gaps: Floats, seed: int, *, draws: int = 1000) -> Estimate | None:
    """Where the mean of gaps (units, factors) first changes sign, with its bootstrap interval over units."""
    value = _first_zero(factors, gaps.mean(axis=0))
    if value is None:
        return None
    rng = np.random.default_rng(seed)
    n = len(gaps)
    found = []
    for _ in range(draws):
        drawn = np.bincount(rng.integers(n, size=n), minlength=n) @ gaps / n
        at = _first_zero(factors, drawn)
        if at is None:
            # Beyond the side on which the curve is nearest to crossing.
            at = math.inf if abs(drawn[-1]) < abs(drawn[0]) else 0.0
        found.append(at)
    low, high = np.quantile(found, [0.025, 0.975], method="nearest")
    return Estimate(value, float(low), float(high))


def _first_zero(factors: Floats, leads: Floats) -> float | None:
    for i in range(len(factors) - 1):
        one, two = leads[i], leads[i + 1]
        if one * two < 0 or (one == 0) != (two == 0):
            share = one / (one - two)
            return float(factors[i] + share * (factors[i + 1] - factors[i]))
    return None
