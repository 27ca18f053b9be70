"""Invented people: hands that are wrong in the ways people are, for rankings before anybody has touched anything.

Nobody's touches stand behind them. Each trait is a choice that is stated; a result that turns on one of them says what
has to be measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from types import MappingProxyType

import numpy as np

from nearkey.errors import LayoutError, PlanError
from nearkey.layout import Layout
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.typist import Aims
from nearkey.touch import GaussianTouch, TouchLog

_MEMORY_TOUCHES = 200.0
_BLOCK = 400
"""Touches over which drift and turn of the pad are forgotten to a share of 1 / e: a few minutes of typing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class HandTraits:
    """How one hand touches. Lengths in mm; shares are of touches.

    Parameters
    ----------
    spread_mm : standard deviation about the aim, across the pad, whatever the key. spread_y : that down the pad, as a
        multiple of it. slant : correlation of the two.
    spread_of_key : a further, independent part of it in proportion to the key's side (speed is traded for size).
    offset_x_mm, offset_y_mm : where touches land on the whole, right and below of the aim.
    tails : degrees of freedom of a Student t, above 2; infinite for a normal. The spread is that of the t.
    slip : aimed at a neighbouring key instead. missed : not felt by the pad. doubled : felt twice. A word's first
        touch is never missed.
    drift_mm, turn_deg : standard deviations of how the pad wanders in the hand, and turns about its middle, while
        somebody types.
    aim : how far the aim lies from a key's centre towards the letter's own place on 26 keys, from 0 to 1.

    Raises PlanError for values that cannot be meant.
    """

    spread_mm: float = 2.0
    spread_y: float = 1.0
    slant: float = 0.0
    spread_of_key: float = 0.0
    offset_x_mm: float = 0.0
    offset_y_mm: float = 0.0
    tails: float = math.inf
    slip: float = 0.0
    missed: float = 0.0
    doubled: float = 0.0
    drift_mm: float = 0.0
    turn_deg: float = 0.0
    aim: float = 0.0

    def __post_init__(self) -> None:
        allowed = {
            "spread_mm": (self.spread_mm > 0, "give millimetres above 0"),
            "spread_y": (self.spread_y > 0, "give a factor above 0"),
            "slant": (-1 < self.slant < 1, "give a correlation above -1, below 1"),
            "tails": (self.tails > 2, "give degrees of freedom above 2"),
            "aim": (0 <= self.aim <= 1, "give a share from 0 to 1"),
            **{
                name: (getattr(self, name) >= 0, "give 0 or more")
                for name in ("spread_of_key", "drift_mm", "turn_deg")
            },
            **{
                name: (0 <= getattr(self, name) < 1, "give a share from 0, below 1")
                for name in ("slip", "missed", "doubled")
            },
        }
        for one in fields(self):
            right, fix = allowed.get(one.name, (True, "give millimetres"))
            value = getattr(self, one.name)
            if not right or (one.name != "tails" and not math.isfinite(value)):
                raise PlanError(f"is {value:g}", field=one.name, fix=fix)


PLAUSIBLE_TRAITS: Mapping[str, float] = MappingProxyType(
    {
        "tails": 8.0,  # touches have longer tails than a normal (common practice, no source)
        "spread_y": 0.9,  # fingers land a little surer down the pad than across (common practice, no source)
        "slip": 0.01,  # one touch in a hundred is meant for the wrong key (a choice, no source)
        "missed": 0.005,  # too light or too short to be felt (a choice, no source)
        "doubled": 0.005,  # a bounce felt twice (a choice, no source)
        "drift_mm": 0.3,  # the grip wanders while the eyes are elsewhere (a choice, no source)
        "turn_deg": 2.0,  # and turns (a choice, no source)
        "aim": 0.3,  # letters of a group key are aimed at a little towards their places (a choice, no source)
    }
)
"""The middle hand of a plan's invented people. Set down from plausibility before any ranking was made with them, and
not changed after one; traits not named are as in `HandTraits`."""

PLAUSIBLE_SD: Mapping[str, float] = MappingProxyType(
    {
        "tails": 0.5,
        "spread_y": 0.1,
        "slant": 0.2,
        "slip": 0.5,
        "missed": 0.5,
        "doubled": 0.5,
        "drift_mm": 0.4,
        "turn_deg": 0.4,
        "aim": 0.5,
    }
)
"""How far a plan's invented people differ in traits, see `invent_hands`: rare events and habits differ between people
by half or double, the shape of a finger's scatter by a tenth (choices, no source)."""


class HandTouch:
    """A hand on a layout: where the touches of each letter land, and which are missed or come twice.

    As a touch model (`log_prob`, `sample`) it states the hand's lasting part: aims at key centres, offset, spread and
    tails. `perform` types with all the rest.

    Parameters
    ----------
    layout : what is typed on. traits : of the hand.
    places : the arrangement of 26 keys whose letters' places are aimed at, "qwerty" unless given; letters it lacks are
        aimed at on their key's centre.
    """

    def __init__(
        self, layout: Layout, traits: HandTraits, *, places: Layout | str = "qwerty"
    ) -> None:
        self.layout, self.traits = layout, traits
        self.key_ids = tuple(layout.key_ids)
        self._centers = np.asarray(layout.centers) * layout.unit_mm
        self._sizes = np.asarray(layout.sizes) * layout.unit_mm
        self._spread = np.hypot(traits.spread_mm, traits.spread_of_key * self._sizes)
        self._spread = self._spread * [1.0, traits.spread_y]
        # Of the second axis, what the first does not say.
        self._upright = math.sqrt(1 - traits.slant**2)
        self._offset = np.array([traits.offset_x_mm, traits.offset_y_mm])
        self._places = _own_places(layout, places) if traits.aim else {}
        self._neighbours = _neighbours(layout)

    def log_prob(self, points: Floats) -> Floats:
        """Natural log densities (n, n_keys) of points (n, 2), per squared layout unit."""
        model, tails = self.stated(), self.traits.tails
        model.background, model.dof_ = 0.0, tails
        model.covariances_ = model.covariances_ * (
            1.0 if math.isinf(tails) else (tails - 2) / tails
        )
        return model.log_prob(points)

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        """Touches (n, 2) for keys given by column: two standard normals each, whatever the layout."""
        rng = np.random.default_rng(seed)
        index = np.asarray(keys, dtype=np.int64)
        return self._landed(self._centers[index], index, rng.standard_normal((len(index), 2)))

    def perform(self, aims: Aims, seed: Seed) -> tuple[Floats, Ints]:
        """Touches (m, 2) of a text, and which letter of it each was for, (m,).

        Eleven random numbers a letter, whatever the layout: common random numbers between layouts.
        """
        rng = np.random.default_rng(seed)
        n, traits = len(aims.keys), self.traits
        uniform = rng.random((n, 4))
        normal = rng.standard_normal((n, 5))
        again = rng.standard_normal((n, 2))
        keys = np.asarray(aims.keys, dtype=np.int64)
        slipped = uniform[:, 0] < traits.slip
        if slipped.any():
            keys = keys.copy()
            near = self._neighbours
            keys[slipped] = [
                near[k][int(u * len(near[k]))]
                for k, u in zip(keys[slipped].tolist(), uniform[slipped, 1].tolist(), strict=True)
            ]
        target = self._centers[keys]
        if self._places:
            unmoved = np.full(2, np.nan)
            own = np.array([self._places.get(c, unmoved) for c in aims.alphabet])[aims.letters]
            moved = ~slipped & np.isfinite(own[:, 0])
            target = target + np.where(moved[:, None], traits.aim * (own - target), 0.0)
        wanders = bool(traits.drift_mm or traits.turn_deg)
        wander = _wander(normal[:, 2:]) if wanders else np.zeros((n, 3))
        middle = np.array([self.layout.width_mm, self.layout.height_mm]) / 2
        drift = traits.drift_mm * wander[:, :2]
        turn = np.radians(traits.turn_deg) * wander[:, 2]

        def landed(z: Floats) -> Floats:
            at = self._landed(target, keys, z) * self.layout.unit_mm - middle
            c, s = np.cos(turn), np.sin(turn)
            turned = np.column_stack([c * at[:, 0] - s * at[:, 1], s * at[:, 0] + c * at[:, 1]])
            return np.asarray((turned + middle + drift) / self.layout.unit_mm)

        first = np.ones(n, dtype=bool)
        first[1:] = aims.word[1:] != aims.word[:-1]
        times = np.ones(n, dtype=np.int64)
        times[uniform[:, 3] < traits.doubled] = 2
        times[(uniform[:, 2] < traits.missed) & ~first] = 0
        letter = np.repeat(np.arange(n), times)
        points = landed(normal[:, :2])[letter]
        second = np.zeros(len(letter), dtype=bool)
        second[1:] = letter[1:] == letter[:-1]
        if second.any():
            points[second] = landed(again)[letter[second]]
        return points, letter

    def calibration(self, n_touches: int, seed: Seed, person: str) -> TouchLog:
        """A log of so many prompted touches, letters in even shares and random order: what a decoder is fitted on."""
        rng = np.random.default_rng(seed)
        letters = list(self.layout.letters)
        order = rng.permutation(np.resize(rng.permutation(len(letters)), n_touches))
        keys = np.array([self.layout.key_of_letter[letters[i]] for i in order], dtype=np.int64)
        once = HandTouch.__new__(HandTouch)
        once.__dict__ = self.__dict__ | {"traits": replace(self.traits, missed=0.0, doubled=0.0)}
        points, _ = once.perform(
            Aims(keys, order, "".join(letters), np.zeros(n_touches, dtype=np.int64)), rng
        )
        return TouchLog.from_points(points, [self.key_ids[k] for k in keys], participant=person)

    def stated(self) -> GaussianTouch:
        """The hand's lasting part as a Gaussian touch model."""
        model = GaussianTouch.from_layout(self.layout, spread_mm=self.traits.spread_mm)
        unit = self.layout.unit_mm
        model.means_ = (self._centers + self._offset) / unit
        spread, slant = self._spread / unit, self.traits.slant
        model.covariances_ = spread[:, :, None] * spread[:, None, :] * [[1, slant], [slant, 1]]
        return model

    def _landed(self, aim: Floats, keys: Ints, z: Floats) -> Floats:
        tails = self.traits.tails
        if math.isfinite(tails):
            # Carries the length of two normals onto that of a bivariate t, of the spread that is stated.
            square = (z**2).sum(axis=1)
            safe = np.where(square > 0, square, 1.0)
            stretch = np.sqrt(tails * np.expm1(square / tails) / safe * (tails - 2) / tails)
            z = z * stretch[:, None]
        z = np.column_stack([z[:, 0], self.traits.slant * z[:, 0] + self._upright * z[:, 1]])
        return np.asarray((aim + self._offset + self._spread[keys] * z) / self.layout.unit_mm)


def _wander(normal: Floats) -> Floats:
    """Slow wandering of variance 1 from touch to touch, (n, d): a first-order autoregression."""
    kept = math.exp(-1 / _MEMORY_TOUCHES)
    fresh = math.sqrt(1 - kept * kept)
    found = np.empty_like(normal)
    powers = kept ** np.arange(1, _BLOCK + 1)[:, None]
    state: Floats | None = None
    for start in range(0, len(normal), _BLOCK):
        part = fresh * normal[start : start + _BLOCK]
        if state is None:
            state = normal[0] / kept
            part[0] = 0.0
        own = powers[: len(part)]
        found[start : start + _BLOCK] = own * (state + np.cumsum(part / own, axis=0))
        state = found[start + len(part) - 1]
    return found


def _own_places(layout: Layout, places: Layout | str) -> dict[str, Floats]:
    """Where each letter stands on an arrangement of single letters on the same surface, kept within its key; mm."""
    try:
        base = Layout.named(places) if isinstance(places, str) else places
        base = base.fitted(layout.width_mm, layout.height_mm)
    except LayoutError:
        return {}
    found = {}
    for letter, index in layout.key_of_letter.items():
        if letter in base.key_of_letter:
            at = np.asarray(base.centers)[base.key_of_letter[letter]] * base.unit_mm
            key = layout.keys[index]
            low = np.array([key.x, key.y]) * layout.unit_mm
            high = low + np.array([key.w, key.h]) * layout.unit_mm
            found[letter] = np.clip(at, low, high)
    return found


def _neighbours(layout: Layout) -> list[list[int]]:
    """For each key the letter keys beside it: those not more than half as far again as the nearest, of four at most."""
    centers = np.asarray(layout.centers) * layout.unit_mm
    letters = [i for i, key in enumerate(layout.keys) if key.role == "letters"]
    found = []
    for i in range(len(layout.keys)):
        away = {j: float(np.hypot(*(centers[j] - centers[i]))) for j in letters if j != i}
        order = sorted(away, key=away.__getitem__)[:4]
        found.append([j for j in order if away[j] <= 1.5 * away[order[0]]] or [i])
    return found


def invent_hands(
    traits: HandTraits,
    people: int,
    *,
    offset_sd_mm: float = 0.5,
    spread_sd: float = 0.12,
    traits_sd: Mapping[str, float] | None = None,
    seed: Seed = 0,
) -> Sequence[HandTraits]:
    """So many hands that differ as stated: offsets by `offset_sd_mm` each axis, log spreads by `spread_sd`.

    Parameters
    ----------
    traits : of the middle hand. people : how many.
    offset_sd_mm, spread_sd : standard deviations between people, 0 or more.
    traits_sd : of other traits, by name: of a slant itself, of the logarithm of all others (of tails, of the degrees of
        freedom above 2). Traits not named are shared, and a trait the middle hand lacks, nobody has. No share grows
        beyond a half, no aim beyond 1.
    seed : of the draw. The offsets and spreads of a seed are the same whatever else differs.

    Raises PlanError for values that cannot be meant.
    """
    seed = seed_number(seed)
    if people < 1:
        raise PlanError(f"{people} people", field="count", fix="invent 1 or more")
    varied = dict(traits_sd or {})
    free = [
        f.name
        for f in fields(HandTraits)
        if f.name not in ("spread_mm", "offset_x_mm", "offset_y_mm")
    ]
    for name in varied:
        if name not in free:
            fix = f"write one of {', '.join(free)}"
            raise PlanError("is no trait that differs", field=f"traits_sd.{name}", fix=fix)
    stated = {"offset_sd_mm": offset_sd_mm, "spread_sd": spread_sd}
    for name, sd in (stated | {f"traits_sd.{name}": sd for name, sd in varied.items()}).items():
        if not 0 <= sd < math.inf:
            raise PlanError(f"is {sd:g}", field=name, fix="give 0 or more")
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(3,)))
    others = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(7,)))
    hands = []
    for _ in range(people):
        x, y, log = rng.standard_normal(3)
        # A number for each trait, so that one trait's numbers do not hang on which others differ.
        drawn = dict(zip(free, others.standard_normal(len(free)).tolist(), strict=True))
        own = {name: _differing(traits, name, sd * drawn[name]) for name, sd in varied.items()}
        hands.append(
            replace(
                traits,
                offset_x_mm=traits.offset_x_mm + offset_sd_mm * float(x),
                offset_y_mm=traits.offset_y_mm + offset_sd_mm * float(y),
                spread_mm=traits.spread_mm * math.exp(spread_sd * float(log)),
                **own,
            )
        )
    return hands


def _differing(traits: HandTraits, name: str, by: float) -> float:
    """A person's trait, so far from the middle hand's."""
    middle = float(getattr(traits, name))
    if name == "slant":
        return float(np.clip(middle + by, -0.9, 0.9))
    if name == "tails":
        return 2 + (middle - 2) * math.exp(by)
    most = {"slip": 0.5, "missed": 0.5, "doubled": 0.5, "aim": 1.0}.get(name, math.inf)
    return min(middle * math.exp(by), max(middle, most))
