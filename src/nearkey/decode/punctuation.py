"""Punctuation after a word: which ones, and what a touch on a symbol key says of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nearkey.decode.layout_columns import LayoutColumns, mean_density
from nearkey.decode.protocols import PunctuationTable

_WORDS_KEPT = 4096

_SHOWN = 3
"""Marks offered after each word where the key names none."""

_UNLISTED = math.log(1e-4)
"""Weight of a mark that is written on the key but not in the pack's table, which holds what ends clauses; rarer
than any of those. Common practice, no source."""


def marks_on(found: Sequence[tuple[str, float]], written: str) -> list[tuple[str, float]]:
    """Of marks with natural log P, best first, those written on a key; all for a key that names none.

    Marks on the key that are not among those found come last, in the key's order, at minus infinity.
    """
    if not written:
        return list(found)
    unknown = dict.fromkeys(written, -math.inf)
    on_key = [(mark, p) for mark, p in found if unknown.pop(mark, None) is not None]
    return [*on_key, *unknown.items()]


class KeyPunctuation:
    """The marks of a pack on a layout's keys. table : a pack's `marks`, or None."""

    def __init__(self, table: PunctuationTable | None, columns: LayoutColumns) -> None:
        self._table = table
        # The same few words come up again and again while a word grows.
        self.log_probs = lru_cache(_WORDS_KEPT)(self._log_probs)
        keys = list(zip(columns.symbols, columns.written, strict=True))
        self._any = [column for column, written in keys if not written]
        self._keys_of = {
            mark: [column for column, written in keys if not written or mark in written]
            for mark in "".join(columns.written)
        }

    def density(self, own: NDArray[np.float64], mark: str) -> float:
        """Log density of a touch on a symbol key under a mark, from its log densities (1, n_keys): the mean over
        the keys that stand for it. At least one must."""
        return float(mean_density(own, self._keys_of.get(mark, self._any))[0])

    def possible(self, written: str) -> Iterable[str]:
        """Marks that a touch on a key may mean; "" stands for all that no key names."""
        return written or (*self._keys_of, "")

    def after(self, word: str) -> list[tuple[str, float]]:
        """Marks that may follow a word, best first, with natural log P; "" is no mark."""
        if self._table is None:
            return []
        return sorted(self._table.log_probs(word).items(), key=lambda m: -m[1])

    def _log_probs(self, word: str, written: str) -> list[tuple[str, float]]:
        """Natural log probabilities of the marks that a touch on a key may mean after a word, best first.

        The touch says that there is a mark, and on which key: only which one is open.
        """
        found = marks_on([m for m in self.after(word) if m[0]], written)
        weighed = [(mark, max(p, _UNLISTED) if written else p) for mark, p in found]
        total = math.log(sum(math.exp(p) for _, p in weighed)) if weighed else 0.0
        log_probs = [(mark, p - total) for mark, p in weighed]
        return log_probs if written else log_probs[:_SHOWN]
