"""The simulated typist: aims at the key of each letter, lands where the touch model says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import TouchModel
from nearkey.decode.spelling import spell_words
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.seeds import Seed
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.keystrokes import Speed, finger_fitts_time


class SamplingTouchModel(TouchModel, Protocol):
    """A touch model that can also be drawn from."""

    def sample(self, keys: Ints, seed: Seed) -> Floats:
        """Touches (n, 2) meant for keys given by column; for common random numbers between layouts it
        draws the same number of variates per touch whatever the layout (two standard normals)."""


@dataclass(frozen=True, slots=True)
class Aims:
    """What is aimed at, a letter after the other.

    keys : (n,) columns of the touch model. letters : (n,) positions in `alphabet`. word : (n,) which word of the text
    each letter is of, counted from 0.
    """

    keys: Ints
    letters: Ints
    alphabet: str
    word: Ints


@runtime_checkable
class Performs(Protocol):
    """A typist that does more than land about a key: one that slips, misses and doubles touches, or aims by letter."""

    def perform(self, aims: Aims, seed: Seed) -> tuple[Floats, Ints]:
        """Touches (m, 2), and for which of the letters each was, (m,), ascending; each word has one or more."""


@dataclass(frozen=True, slots=True)
class Typing:
    """Touches of many words.

    points : (n_touches, 2) in layout units. offsets : (n_words + 1,) uint32.
    keys : (n_touches,) the columns of the touch model aimed at.
    spaces : (n_words, 2) the touch after each word on the layout's space key, NaN where the pad did not feel it; None
        on layouts that have none.
    """

    points: Floats
    offsets: NDArray[np.uint32]
    keys: Ints
    spaces: Floats | None = None

    @property
    def touches(self) -> Ints:
        """Touches of each word, (n_words,)."""
        return self.offsets[1:].astype(np.int64) - self.offsets[:-1]


class Typist:
    """Types words on one layout.

    Parameters
    ----------
    layout : the keys. touch : where touches land (`sample`, or `perform` where it has that), matched to the layout.
    words : what can be typed; methods take positions in it.
    assumed : what the decoder takes touches to be, by which letters spelled one by one are offered; `touch` itself
        unless given.
    like : a typist of the same words and letters, whose spelling of them serves this one too.

    Raises PlanError where a word that is to be typed cannot be.
    """

    def __init__(
        self,
        layout: Layout,
        touch: SamplingTouchModel,
        words: Sequence[str],
        *,
        assumed: TouchModel | None = None,
        like: Typist | None = None,
    ) -> None:
        self.layout = layout
        self.touch = touch
        self._assumed: TouchModel = touch if assumed is None else assumed
        self._words = words
        self._letters = "".join(sorted(layout.letters))
        if like is not None and like._words is words and like._letters == self._letters:
            self._spelled = like._spelled  # takes the place of the cached property
        role = {key.id: key.role for key in layout.keys}
        self._roles = [role.get(key, "") for key in touch.key_ids]
        self._assumed_roles = np.array([role.get(key, "") for key in self._assumed.key_ids])
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

    def type(self, words: Ints, seed: Seed) -> Typing:
        """Touches for words given by position, (n,)."""
        rng = np.random.default_rng(seed)
        letters, lengths = self._letters_of(words)
        offsets = np.zeros(len(words) + 1, np.uint32)
        np.cumsum(lengths, out=offsets[1:])
        keys = self._column[letters]
        word = np.repeat(np.arange(len(words)), lengths)
        points, letter = self._touched(Aims(keys, letters, self._letters, word), rng)
        np.cumsum(np.bincount(word[letter], minlength=len(words)), out=offsets[1:])
        spaces = None
        if "space" in self._roles:
            # After the letters, whose random numbers are those of layouts without a space key.
            none = np.zeros(len(words), np.int64)
            aims = Aims(none + self._roles.index("space"), none, " ", none)
            felt, after = self._touched(aims, rng)
            after, first = np.unique(after, return_index=True)  # a space felt twice is one
            spaces = np.full((len(words), 2), np.nan)
            spaces[after] = felt[first]
        return Typing(np.ascontiguousarray(points), offsets, keys[letter], spaces)

    def _touched(self, aims: Aims, rng: np.random.Generator) -> tuple[Floats, Ints]:
        """Touches (m, 2), and for which of the letters each was, (m,)."""
        if isinstance(self.touch, Performs):
            return self.touch.perform(aims, rng)
        return np.asarray(self.touch.sample(aims.keys, rng)), np.arange(len(aims.keys))

    def arrived(self, typing: Typing) -> tuple[Floats, NDArray[np.uint32]]:
        """Touches that a decoder is asked for each word, and their offsets, where space and delete are keys.

        Whoever does not look goes on. A touch that the decoder takes to be delete takes back the one before it; one
        that it takes to be space ends the word there; a space that it does not feel, or takes to be something else,
        joins the word with the next, of the same line of the text or not, and the decoder is asked for both at once.
        All touches as they are on layouts that have neither key.
        """
        if not np.isin(self._assumed_roles, ("space", "delete")).any():
            return typing.points, typing.offsets
        starts = typing.offsets.astype(np.int64)
        n = len(starts) - 1
        role = self._read(typing.points)
        joined, stray = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        if typing.spaces is not None and "space" in self._assumed_roles:
            after = self._read(np.nan_to_num(typing.spaces))
            joined = np.isnan(typing.spaces[:, 0]) | (after != "space")
            stray = ~np.isnan(typing.spaces[:, 0]) & joined
        wrong = np.isin(role, ("space", "delete"))
        rows = np.repeat(np.arange(n), typing.touches)
        plain = ~joined
        plain[1:] &= ~joined[:-1]
        plain[rows[wrong]] = False
        kept: list[Floats] = [typing.points[:0]] * n
        first = 0
        for word in range(n):
            if plain[word]:
                kept[word] = typing.points[starts[word] : starts[word + 1]]
            if joined[word] and word < n - 1:
                continue
            if not plain[first]:
                typed: list[tuple[str, Floats]] = []
                for one in range(first, word + 1):
                    part = slice(starts[one], starts[one + 1])
                    typed += zip(role[part].tolist(), typing.points[part], strict=True)
                    if stray[one] and typing.spaces is not None:
                        typed.append((str(after[one]), typing.spaces[one]))
                kept[first : word + 1] = [_first_word(typed)] * (word + 1 - first)
            first = word + 1
        offsets = np.zeros(n + 1, np.uint32)
        np.cumsum([len(points) for points in kept], out=offsets[1:])
        return np.ascontiguousarray(np.concatenate([typing.points[:0], *kept])), offsets

    def _read(self, points: Floats) -> NDArray[np.str_]:
        """The role of the key that the decoder takes each touch to be meant for, (n,)."""
        return np.asarray(self._assumed_roles[self._assumed.log_prob(points).argmax(axis=1)])

    def spelled_keystrokes(self, words: Ints) -> Floats:
        """Expected keystrokes of letter-by-letter entry for words given by position, (n,).

        A letter takes one touch, which puts the letters of the most probable key first, then those of
        the next key, and so on; each letter before the wanted one takes a press of next. Where space and delete are
        keys, the delete before and the space after are pressed until they are read as such, a space that is not being
        deleted first: whoever corrects is looking.
        """
        letters, lengths = self._letters_of(words)
        if len(words) == 0:
            return np.zeros(0)
        spelled = np.add.reduceat(self._letter_cost[letters], np.cumsum(lengths) - lengths)
        delete = self._presses("delete")
        return np.asarray(spelled + delete - 1.0 + (self._presses("space") - 1.0) * (1.0 + delete))

    def _presses(self, which: str) -> float:
        """Expected presses of a key of this role until it is read as one; 1 where the layout has none."""
        if which not in self._roles or which not in self._assumed_roles:
            return 1.0
        right = np.mean(self._read(self._draws[self._roles.index(which)]) == which)
        return 1.0 / max(float(right), 0.05)

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
        density = self._assumed.log_prob(self._draws.reshape(-1, 2)).reshape(n, -1, n)
        size = np.bincount(self._column, minlength=n).astype(np.float64)
        cost = []
        for letter, column in zip(self._letters, self._column.tolist(), strict=True):
            better = density[column] > density[column][:, column][:, None]
            place = layout.keys[layout.key_of_letter[letter]].letters.index(letter)
            cost.append(1.0 + float((better @ size).mean()) + place)
        return np.asarray(cost)


def _first_word(typed: Sequence[tuple[str, Floats]]) -> Floats:
    """Touches (n, 2) of the first word in touches read as keys of these roles; empty where none is left."""
    kept: list[Floats] = []
    for role, point in typed:
        if role == "delete":
            del kept[-1:]
        elif role != "space":
            kept.append(point)
        elif kept:
            break
    return np.array(kept).reshape(-1, 2)
