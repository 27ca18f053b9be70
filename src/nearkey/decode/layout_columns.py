"""Where a layout's letters, space and symbols are among a touch model's columns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import TouchModel
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout

__all__ = ["LayoutColumns"]

APOSTROPHE = "'"

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class LayoutColumns:
    """A layout as the columns of a touch model.

    letters : letters that can be typed, sorted, so that every lettering of a search spells words alike;
        an apostrophe is among them where symbol keys can stand for it.
    letter : (n_letters,) uint32, the column of each; of an apostrophe that of the first symbol key, which
        stands for all of them once densities are `pooled`.
    space : column of the space key, None where there is none. symbols : columns of the symbol keys.
    """

    layout: Layout
    touch: TouchModel
    letters: str
    letter: NDArray[np.uint32]
    space: int | None
    symbols: tuple[int, ...]

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
        roles = {key.role: column[key.id] for key in reversed(layout.keys) if key.id in column}
        symbols = tuple(
            column[key.id] for key in layout.keys if key.role == "symbol" and key.id in column
        )
        if symbols and APOSTROPHE not in place:
            place[APOSTROPHE] = symbols[0]
        letters = "".join(sorted(place))
        return cls(
            layout,
            touch,
            letters,
            np.asarray([place[c] for c in letters], dtype=np.uint32),
            roles.get("space"),
            symbols,
        )

    def pooled(self, density: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log densities per column (n, n_keys) in which the first symbol key's stand for all symbol keys.

        Whoever means a symbol takes any of the keys alike: the density is the mean over them.
        """
        n = len(self.symbols)
        if n < 2:
            return density
        out = density.copy()
        among = np.logaddexp.reduce(density[:, self.symbols], axis=1)
        out[:, self.symbols[0]] = among - math.log(n)
        return out

    def is_symbol(self, density: NDArray[np.float64]) -> bool:
        """Whether a touch was most probably meant for a symbol key, from its pooled log densities (n_keys,).

        For layouts that have one.
        """
        # One symbol key's own density is no more than their sum, roundings aside.
        any_symbol = float(density[self.symbols[0]]) + math.log(len(self.symbols))
        return any_symbol >= float(density.max()) - _ROUNDING

    def apportioned(
        self, shares: NDArray[np.float64], density: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Shares of touches per column (n, n_keys) with what the first symbol key has for all of them handed to
        each by its part in the density (n, n_keys), not pooled."""
        if len(self.symbols) < 2:
            return shares
        columns = list(self.symbols)
        part = density[:, columns] - np.logaddexp.reduce(density[:, columns], axis=1)[:, None]
        out = shares.copy()
        out[:, columns] = shares[:, columns[:1]] * np.exp(part)
        return out

    def key_at(self, point: NDArray[np.float64], emitter: _kernel.Emitter | None) -> Key:
        """The key under which a touch (1, 2) is most probable.

        The nearest one where the touch model does not know all keys.
        """
        layout = self.layout
        if len(self.touch.key_ids) < len(layout.keys):
            return layout.keys[int(layout.nearest_key(point)[0])]
        density = self.touch.log_prob(point) if emitter is None else emitter.log_prob(point)
        column = int(density[0].argmax())
        return layout.keys[layout.key_index(self.touch.key_ids[column])]
