"""Which character came out as which: the confusion matrix over all optimal alignments."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.study.alignment import Alignments
from nearkey.text_table import text_table

__all__ = ["ConfusionMatrix"]


@dataclass(frozen=True, slots=True)
class ConfusionMatrix:
    """Expected number of times each presented character was transcribed as each other.

    `pairs`: (presented, transcribed) -> weight; "" stands for nothing, so ("e", "") holds the e's
    left out and ("", "e") the e's put in. Every optimal alignment of a phrase weighs one over their
    number, so the weights need not be whole.
    Source: MacKenzie & Soukoreff, NordiCHI 2002.
    """

    pairs: Mapping[tuple[str, str], float]

    @classmethod
    def of(cls, alignments: Iterable[Alignments]) -> ConfusionMatrix:
        """Sum over phrases."""
        total: dict[tuple[str, str], float] = {}
        for one in alignments:
            for pair, weight in one.pairs.items():
                total[pair] = total.get(pair, 0.0) + weight
        return cls(MappingProxyType(dict(sorted(total.items()))))

    @property
    def symbols(self) -> tuple[str, ...]:
        """The characters met, sorted; "" (nothing) last."""
        met = {character for pair in self.pairs for character in pair if character}
        return (*sorted(met), "")

    def matrix(self) -> NDArray[np.float64]:
        """Array (k, k) over `symbols`: rows are presented, columns transcribed characters."""
        place = {symbol: i for i, symbol in enumerate(self.symbols)}
        out = np.zeros((len(place), len(place)))
        for (presented, transcribed), weight in self.pairs.items():
            out[place[presented], place[transcribed]] = weight
        return out

    def error_share(self, presented: str) -> float:
        """Share of `presented` that did not come out as itself (nan if it was never presented)."""
        row = {t: weight for (p, t), weight in self.pairs.items() if p == presented}
        total = sum(row.values())
        return 1.0 - row.get(presented, 0.0) / total if total else float("nan")

    def errors(self) -> list[tuple[str, str, float]]:
        """(presented, transcribed, weight) of everything that went wrong, heaviest first."""
        wrong = [(p, t, weight) for (p, t), weight in self.pairs.items() if p != t]
        return sorted(wrong, key=lambda item: (-item[2], item[0], item[1]))

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per pair met, errors first."""
        right = [(p, t, weight) for (p, t), weight in self.pairs.items() if p == t]
        return [
            {"presented": p, "transcribed": t, "weight": weight}
            for p, t, weight in [*self.errors(), *right]
        ]

    def __str__(self) -> str:
        rows = [(_show(p), _show(t), f"{weight:.2f}") for p, t, weight in self.errors()[:20]]
        if not rows:
            return "no character came out wrong"
        return text_table(("presented", "transcribed", "weight"), rows)


def _show(symbol: str) -> str:
    return {"": "(nothing)", " ": "(space)"}.get(symbol, symbol)
