"""The simulated typist: aims at the key of each letter, lands where the touch model says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack, TouchModel
from nearkey.decode.spelling import spell
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.entry_speed import Speed, finger_fitts_time

__all__ = ["SamplingTouchModel", "Typing", "Typist"]


class SamplingTouchModel(TouchModel, Protocol):
    """A touch model that can also be drawn from."""

    def sample(self, keys: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.float64]:
        """Touches (n, 2) meant for keys given by column; for common random numbers between layouts it
        draws the same number of variates per touch whatever the layout (two standard normals)."""


@dataclass(frozen=True, slots=True)
class Typing:
    """Touches of many words.

    points : (n_touches, 2) in layout units. offsets : (n_words + 1,) uint32.
    keys : (n_touches,) the columns of the touch model aimed at.
    """

    points: NDArray[np.float64]
    offsets: NDArray[np.uint32]
    keys: NDArray[np.int64]

    @property
    def touches(self) -> NDArray[np.int64]:
        """Touches of each word, (n_words,)."""
        return self.offsets[1:].astype(np.int64) - self.offsets[:-1]


class Typist:
    """Types words of a pack on one layout.

    Parameters
    ----------
    layout : the keys. touch : where touches land (`sample`), matched to the layout.
    pack : the words, by index: a pack's, or a list of words.
    """

    def __init__(
        self, layout: Layout, touch: SamplingTouchModel, pack: LanguagePack | Sequence[str]
    ) -> None:
        self.layout = layout
        self.touch = touch
        self._words = pack if isinstance(pack, Sequence) else pack.lexicon.words
        self._letters = layout.letters
        column = {key: i for i, key in enumerate(touch.key_ids)}
        self._column = {
            letter: column[layout.key_ids[i]] for letter, i in layout.key_of_letter.items()
        }
        self._typed: dict[int, tuple[tuple[int, ...], float]] = {}

    def _word(self, index: int) -> tuple[tuple[int, ...], float]:
        found = self._typed.get(index)
        if found is None:
            typed = spell(self._words[index], self._letters)
            if typed is None:
                raise PlanError(
                    f"the word {self._words[index]!r} cannot be typed",
                    where=self.layout.name,
                    fix="leave it out or add its letters to the layout",
                )
            found = (tuple(self._column[c] for c in typed), sum(self._spelled[c] for c in typed))
            self._typed[index] = found
        return found

    def type(self, index: NDArray[np.int64], rng: np.random.Generator) -> Typing:
        """Touches for words given by lexicon index."""
        keys = [self._word(int(i))[0] for i in index]
        lengths = np.fromiter((len(k) for k in keys), np.int64, len(keys))
        offsets = np.zeros(len(keys) + 1, np.uint32)
        np.cumsum(lengths, out=offsets[1:])
        flat = np.fromiter((key for word in keys for key in word), np.int64, int(lengths.sum()))
        return Typing(np.ascontiguousarray(self.touch.sample(flat, rng)), offsets, flat)

    def spelled_keystrokes(self, index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Expected keystrokes of letter-by-letter entry for words given by lexicon index, (n_words,).

        A letter takes one touch, which puts the letters of the most probable key first, then those of
        the next key, and so on; each letter before the wanted one takes a press of next.
        """
        return np.fromiter((self._word(int(i))[1] for i in index), np.float64, len(index))

    def movement_s(self, typing: Typing, speed: Speed) -> NDArray[np.float64]:
        """Movement time of each word's touches, (n_words,), by the finger's law from key centre to key centre.

        A word's first touch is taken as a movement of no length: where the finger comes from is
        not modelled, and is the same for every layout.
        """
        keys = typing.keys
        starts = typing.offsets[:-1].astype(np.int64)
        if len(starts) == 0:
            return np.zeros(0)
        previous = np.roll(keys, 1)
        previous[starts] = keys[starts]
        distance_mm = np.hypot(*(self._center_mm[keys] - self._center_mm[previous]).T)
        time_s = finger_fitts_time(
            distance_mm,
            self._spread_mm[keys],
            a_s=speed.a_s,
            b_s=speed.b_s,
            sigma_a_mm=speed.sigma_a_mm,
        )
        return np.add.reduceat(time_s, starts)

    @cached_property
    def _center_mm(self) -> NDArray[np.float64]:
        centers = np.asarray(self.layout.centers) * self.layout.unit_mm
        return centers[[self.layout.key_index(key) for key in self.touch.key_ids]]

    @cached_property
    def _draws(self) -> NDArray[np.float64]:
        """Touches drawn for each key, (n_keys, draws, 2): what spread and letter entry are judged by."""
        draws, n = 400, len(self.touch.key_ids)
        points = self.touch.sample(np.repeat(np.arange(n), draws), np.random.default_rng(0))
        return np.asarray(points).reshape(n, draws, 2)

    @cached_property
    def _spread_mm(self) -> NDArray[np.float64]:
        """Spread of the endpoints on each key, root mean square over the axes."""
        variance = self._draws.var(axis=1).mean(axis=1)
        return np.asarray(np.sqrt(variance) * self.layout.unit_mm)

    @cached_property
    def _spelled(self) -> dict[str, float]:
        """Expected keystrokes of each letter in letter-by-letter entry."""
        layout, n = self.layout, len(self.touch.key_ids)
        density = self.touch.log_prob(self._draws.reshape(-1, 2)).reshape(n, -1, n)
        size = np.zeros(n)
        for column in self._column.values():
            size[column] += 1
        cost = {}
        for letter, column in self._column.items():
            better = density[column] > density[column][:, column][:, None]
            place = layout.keys[layout.key_of_letter[letter]].letters.index(letter)
            cost[letter] = 1.0 + float((better @ size).mean()) + place
        return cost
