"""The simulated typist: aims at the key of each letter, lands where the touch model says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import TouchModel
from nearkey.decode.spelling import spell_words
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.entry_speed import Speed, finger_fitts_time

__all__ = ["SamplingTouchModel", "Typing", "Typist"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class SamplingTouchModel(TouchModel, Protocol):
    """A touch model that can also be drawn from."""

    def sample(self, keys: Ints, rng: np.random.Generator) -> Floats:
        """Touches (n, 2) meant for keys given by column; for common random numbers between layouts it
        draws the same number of variates per touch whatever the layout (two standard normals)."""


@dataclass(frozen=True, slots=True)
class Typing:
    """Touches of many words.

    points : (n_touches, 2) in layout units. offsets : (n_words + 1,) uint32.
    keys : (n_touches,) the columns of the touch model aimed at.
    """

    points: Floats
    offsets: NDArray[np.uint32]
    keys: Ints

    @property
    def touches(self) -> Ints:
        """Touches of each word, (n_words,)."""
        return self.offsets[1:].astype(np.int64) - self.offsets[:-1]


class Typist:
    """Types words on one layout.

    Parameters
    ----------
    layout : the keys. touch : where touches land (`sample`), matched to the layout.
    words : what can be typed; methods take positions in it.

    Raises PlanError where a word that is to be typed cannot be.
    """

    def __init__(self, layout: Layout, touch: SamplingTouchModel, words: Sequence[str]) -> None:
        self.layout = layout
        self.touch = touch
        self._words = words
        self._letters = "".join(sorted(layout.letters))
        column = {key: i for i, key in enumerate(touch.key_ids)}
        self._column = np.asarray(
            [column[layout.key_ids[layout.key_of_letter[c]]] for c in self._letters], np.int64
        )

    @cached_property
    def _spelled(self) -> tuple[NDArray[np.uint8], Ints, Ints]:
        """Letters of all words one after another, and each word's first and number; 0 of them where it has none."""
        spelling = spell_words(self._words, self._letters)
        starts = spelling.offsets.astype(np.int64)
        # A word that can be typed in two ways is typed in the first.
        word, entry = np.unique(spelling.word, return_index=True)
        first = np.zeros(len(self._words), np.int64)
        length = np.zeros(len(self._words), np.int64)
        first[word], length[word] = starts[entry], starts[entry + 1] - starts[entry]
        return spelling.letters, first, length

    def _letters_of(self, words: Ints) -> tuple[Ints, Ints]:
        """Letters of the words one after another, and how many each has."""
        letters, first, length = self._spelled
        lengths = length[words]
        if not lengths.all():
            raise PlanError(
                f"the word {self._words[int(words[np.argmin(lengths)])]!r} cannot be typed",
                where=self.layout.name,
                fix="leave it out or add its letters to the layout",
            )
        ends = np.cumsum(lengths)
        place = np.arange(ends[-1] if len(ends) else 0)
        place += np.repeat(first[words] - (ends - lengths), lengths)
        return letters[place].astype(np.int64), lengths

    def type(self, words: Ints, rng: np.random.Generator) -> Typing:
        """Touches for words given by position, (n,)."""
        letters, lengths = self._letters_of(words)
        offsets = np.zeros(len(words) + 1, np.uint32)
        np.cumsum(lengths, out=offsets[1:])
        keys = self._column[letters]
        return Typing(np.ascontiguousarray(self.touch.sample(keys, rng)), offsets, keys)

    def spelled_keystrokes(self, words: Ints) -> Floats:
        """Expected keystrokes of letter-by-letter entry for words given by position, (n,).

        A letter takes one touch, which puts the letters of the most probable key first, then those of
        the next key, and so on; each letter before the wanted one takes a press of next.
        """
        letters, lengths = self._letters_of(words)
        if len(words) == 0:
            return np.zeros(0)
        return np.add.reduceat(self._letter_cost[letters], np.cumsum(lengths) - lengths)

    def movement_s(self, typing: Typing, speed: Speed) -> Floats:
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
    def _center_mm(self) -> Floats:
        centers = np.asarray(self.layout.centers) * self.layout.unit_mm
        return centers[[self.layout.key_index(key) for key in self.touch.key_ids]]

    @cached_property
    def _draws(self) -> Floats:
        """Touches drawn for each key, (n_keys, draws, 2): what spread and letter entry are judged by."""
        draws, n = 400, len(self.touch.key_ids)
        points = self.touch.sample(np.repeat(np.arange(n), draws), np.random.default_rng(0))
        return np.asarray(points).reshape(n, draws, 2)

    @cached_property
    def _spread_mm(self) -> Floats:
        """Spread of the endpoints on each key, root mean square over the axes."""
        variance = self._draws.var(axis=1).mean(axis=1)
        return np.asarray(np.sqrt(variance) * self.layout.unit_mm)

    @cached_property
    def _letter_cost(self) -> Floats:
        """Expected keystrokes of each letter in letter-by-letter entry."""
        layout, n = self.layout, len(self.touch.key_ids)
        density = self.touch.log_prob(self._draws.reshape(-1, 2)).reshape(n, -1, n)
        size = np.bincount(self._column, minlength=n).astype(np.float64)
        cost = []
        for letter, column in zip(self._letters, self._column.tolist(), strict=True):
            better = density[column] > density[column][:, column][:, None]
            place = layout.keys[layout.key_of_letter[letter]].letters.index(letter)
            cost.append(1.0 + float((better @ size).mean()) + place)
        return np.asarray(cost)
