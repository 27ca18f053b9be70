"""Where a layout's letters, space and symbols are among a touch model's columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import TouchModel
from nearkey.errors import DecodeError
from nearkey.layout import Key, Layout

__all__ = ["LayoutColumns"]

APOSTROPHE = "'"


@dataclass(frozen=True, slots=True)
class LayoutColumns:
    """A layout as the columns of a touch model.

    letters : letters that can be typed, sorted, so that every lettering of a search spells words alike;
        an apostrophe is among them where a symbol key can stand for it.
    letter : (n_letters,) uint32, the column of each.
    space, symbol : columns of the space key and of the symbol key, None where there is none.
    """

    layout: Layout
    touch: TouchModel
    letters: str
    letter: NDArray[np.uint32]
    space: int | None
    symbol: int | None

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
        symbol = roles.get("symbol")
        if symbol is not None and APOSTROPHE not in place:
            place[APOSTROPHE] = symbol
        letters = "".join(sorted(place))
        return cls(
            layout,
            touch,
            letters,
            np.asarray([place[c] for c in letters], dtype=np.uint32),
            roles.get("space"),
            symbol,
        )

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
