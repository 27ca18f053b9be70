"""Where a layout's letters, spaces and symbols are among a touch model's columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import TouchModel
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout

APOSTROPHE = "'"

_APOSTROPHES = "'’"
"""Both forms may be written on a key."""

_ROUNDING = 1e-9


def inside_words(written: str) -> bool:
    """Whether a symbol key with these marks on it can stand inside a word: with an apostrophe, or with any mark."""
    return not written or any(mark in written for mark in _APOSTROPHES)


def mean_density(density: NDArray[np.float64], columns: Sequence[int]) -> NDArray[np.float64]:
    """Log of the mean density (n,) over some columns of log densities (n, n_keys).

    Whoever means what several keys stand for takes any of them alike.
    """
    if len(columns) == 1:
        return density[:, columns[0]]
    among = np.logaddexp.reduce(density[:, list(columns)], axis=1)
    return np.asarray(among - math.log(len(columns)))


@dataclass(frozen=True, slots=True)
class LayoutColumns:
    """A layout as the columns of a touch model.

    letters : letters that can be typed, sorted, so that every letter assignment of a search spells words alike;
        an apostrophe is among them where symbol keys can stand for it.
    letter : (n_letters,) uint32, the column of each in `pooled` densities; where several symbol keys stand for an
        apostrophe, it has a column of its own after those of the keys.
    spaces, symbols : columns of the keys of these roles. written : the marks on each symbol key, "" for any.
    apostrophes : columns of the symbol keys that stand for an apostrophe inside a word; none where a letter
        key carries it.
    """

    layout: Layout
    touch: TouchModel
    letters: str
    letter: NDArray[np.uint32]
    spaces: tuple[int, ...]
    symbols: tuple[int, ...]
    written: tuple[str, ...]
    apostrophes: tuple[int, ...]

    @classmethod
    def of(cls, layout: Layout, touch: TouchModel) -> LayoutColumns:
        """Raises `DecodeError` where the touch model lacks a key that carries letters."""
        column = {key: i for i, key in enumerate(touch.key_ids)}
        place = {}
        for letter, index in layout.key_of_letter.items():
            key = layout.key_ids[index]
            if key not in column:
                raise DecodeError(
                    f"has no key {key!r}, which carries {letter!r}",
                    where="touch model",
                    field="key_ids",
                    fix=f"fit it on the layout {layout.name!r}",
                )
            place[letter] = column[key]
        known = [key for key in layout.keys if key.id in column]
        symbols = [key for key in known if key.role == "symbol"]
        apostrophes: tuple[int, ...] = ()
        if APOSTROPHE not in place:
            apostrophes = tuple(column[key.id] for key in symbols if inside_words(key.letters))
        if apostrophes:
            place[APOSTROPHE] = apostrophes[0] if len(apostrophes) == 1 else len(touch.key_ids)
        letters = "".join(sorted(place))
        return cls(
            layout,
            touch,
            letters,
            np.asarray([place[c] for c in letters], dtype=np.uint32),
            tuple(column[key.id] for key in known if key.role == "space"),
            tuple(column[key.id] for key in symbols),
            tuple(key.letters for key in symbols),
            apostrophes,
        )

    # ---- apostrophes on several keys ----

    @property
    def n_keys(self) -> int:
        """Columns of the touch model."""
        return len(self.touch.key_ids)

    @property
    def n_columns(self) -> int:
        """Columns of `pooled`."""
        return self.n_keys + (len(self.apostrophes) > 1)

    def pooled(self, density: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log densities under each key (n, n_keys), with a column after them for an apostrophe that several keys may
        stand for: (n, n_columns)."""
        if len(self.apostrophes) < 2:
            return density
        return np.column_stack([density, mean_density(density, self.apostrophes)])

    def apportioned(
        self, responsibilities: NDArray[np.float64], density: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Responsibilities per key (n, n_keys), from those per column (n, n_columns): what an apostrophe has is handed
        to each of its keys by its part in the density (n, n_keys)."""
        if len(self.apostrophes) < 2:
            return responsibilities
        columns = list(self.apostrophes)
        part = density[:, columns] - np.logaddexp.reduce(density[:, columns], axis=1)[:, None]
        out = responsibilities[:, : self.n_keys].copy()
        out[:, columns] += responsibilities[:, self.n_keys :] * np.exp(part)
        return out

    # ---- which key ----

    def symbol_at(self, density: NDArray[np.float64]) -> int | None:
        """Which of `symbols` a touch was most probably meant for, from its own log densities (n_keys,).

        None where a single other key is more probable than all symbol keys together.
        """
        if not self.symbols:
            return None
        # In plain Python, which is faster for so few numbers: this runs at every touch.
        every: list[float] = density.tolist()
        among = [every[column] for column in self.symbols]
        best = max(among)
        most = max(every)
        # However many they are, together they are no more than this above the best of them.
        if best == -math.inf:
            return None if most > best else 0
        if best + math.log(len(among)) < most - _ROUNDING:
            return None
        if best + math.log(sum(math.exp(value - best) for value in among)) < most - _ROUNDING:
            return None
        return among.index(best)

    def key_at(self, point: NDArray[np.float64], emitter: _kernel.Emitter | None) -> Key:
        """The key under which a touch (1, 2) is most probable.

        The nearest one where the touch model does not know all keys.
        """
        layout = self.layout
        if self.n_keys < len(layout.keys):
            return layout.keys[int(layout.nearest_key(point)[0])]
        density = self.touch.log_prob(point) if emitter is None else emitter.log_prob(point)
        column = int(density[0, : self.n_keys].argmax())
        return layout.keys[layout.key_index(self.touch.key_ids[column])]
