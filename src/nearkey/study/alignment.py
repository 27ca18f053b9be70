"""Minimum string distance, what all optimal alignments have in common, and the confusions they tell of.

Sources. Distance: Levenshtein 1966; as an error measure: Soukoreff & MacKenzie, "Measuring errors
in text entry tasks: an application of the Levenshtein string distance statistic", CHI 2001 EA,
319-320. All optimal alignments, their mean length and the weighting of each by one over their
number: MacKenzie & Soukoreff, "A character-level error analysis technique for evaluating text entry
methods", NordiCHI 2002.

Strings are compared code point by code point: normalise them first, as `strip_end` does.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.frames import Tabular
from nearkey.text_table import text_table

# In a pair (presented, transcribed) the empty string stands for "nothing": ("e", "") is an
# e left out, ("", "e") an e put in.
Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Alignments:
    """All optimal alignments of a presented and a transcribed string, summed up.

    `distance`: minimum string distance (insertions, omissions and substitutions cost 1 each).
    `count`: how many alignments reach it, exact. `mean_length`: their mean length in columns.
    `pairs`: (presented, transcribed) character -> expected number of columns that hold the pair,
    each alignment weighing 1 / `count`; "" stands for nothing. The weights sum to `mean_length`.
    """

    distance: int
    count: int
    mean_length: float
    pairs: Mapping[Pair, float]


def common_ends(one: Sequence[str], other: Sequence[str]) -> tuple[int, int]:
    """How many items two sequences share at their starts and, of what is left, at their ends."""

    def alike(a: Sequence[str], b: Sequence[str]) -> int:
        pairs = enumerate(zip(a, b, strict=False))
        return next((i for i, (x, y) in pairs if x != y), min(len(a), len(b)))

    start = alike(one, other)
    return start, alike(one[start:][::-1], other[start:][::-1])


def string_distance(presented: Sequence[str], transcribed: Sequence[str]) -> int:
    """Minimum string distance (Levenshtein) between two strings, in characters; of two lists of words, in words.

    O(len · len) time, O(len) memory; a common start and end cost nothing.
    `presented`, `transcribed`: two strings or two lists; the distance is the same either way round.
    Source: Levenshtein 1966; Soukoreff & MacKenzie 2001.
    """
    start, end = common_ends(presented, transcribed)
    a = presented[start : len(presented) - end]
    b = transcribed[start : len(transcribed) - end]
    above = list(range(len(b) + 1))
    for i, left in enumerate(a, start=1):
        row = [i]
        for j, right in enumerate(b, start=1):
            row.append(min(above[j] + 1, row[j - 1] + 1, above[j - 1] + (left != right)))
        above = row
    return above[-1]


def align(presented: str, transcribed: str) -> Alignments:
    """Distance, number, mean length and expected character pairs of all optimal alignments.

    `presented`, `transcribed`: the two strings, as they are to be compared.

    The alignments are counted, not listed: a table holds the number of optimal ways to align every
    two starts of the strings, another that of every two ends, and a column's weight is (ways to
    it) · (ways on from it) / (all ways). Whole numbers of any size keep the counts exact.
    O(len · len) time and memory.
    Source: MacKenzie & Soukoreff, NordiCHI 2002 (the statistics); the counting is common practice.
    """
    if presented == transcribed:
        weights = {(c, c): float(n) for c, n in Counter(presented).items()}
        return Alignments(0, 1, float(len(presented)), MappingProxyType(weights))
    a, b = presented, transcribed
    cost, ways = _ways(a, b)
    back_cost, back_ways = _ways(a[::-1], b[::-1])
    n, m = len(a), len(b)
    distance, count = cost[n][m], ways[n][m]
    columns: Counter[Pair] = Counter()

    def add(pair: Pair, i: int, j: int, step: int, to_i: int, to_j: int) -> None:
        if cost[i][j] + step + back_cost[n - to_i][m - to_j] == distance:
            columns[pair] += ways[i][j] * back_ways[n - to_i][m - to_j]

    for i in range(n + 1):
        # Outside this band an alignment needs more gaps than the distance allows.
        for j in range(max(0, i - distance), min(m, i + distance) + 1):
            if i < n and j < m:
                add((a[i], b[j]), i, j, int(a[i] != b[j]), i + 1, j + 1)
            if i < n:
                add((a[i], ""), i, j, 1, i + 1, j)
            if j < m:
                add(("", b[j]), i, j, 1, i, j + 1)
    weights = {pair: share / count for pair, share in columns.items()}
    return Alignments(distance, count, sum(columns.values()) / count, MappingProxyType(weights))


def _ways(a: str, b: str) -> tuple[list[list[int]], list[list[int]]]:
    """Tables (len(a)+1, len(b)+1): distance of each pair of starts, and number of optimal paths."""
    cost = [list(range(len(b) + 1))]
    ways = [[1] * (len(b) + 1)]
    for i, left in enumerate(a, start=1):
        above, above_ways = cost[-1], ways[-1]
        row, row_ways = [i], [1]
        for j, right in enumerate(b, start=1):
            diagonal = above[j - 1] + (left != right)
            up, side = above[j] + 1, row[j - 1] + 1
            best = min(diagonal, up, side)
            row.append(best)
            row_ways.append(
                (above_ways[j - 1] if diagonal == best else 0)
                + (above_ways[j] if up == best else 0)
                + (row_ways[j - 1] if side == best else 0)
            )
        cost.append(row)
        ways.append(row_ways)
    return cost, ways


@dataclass(frozen=True, slots=True, repr=False)
class ConfusionMatrix(Tabular):
    """Expected number of times each presented character was transcribed as each other.

    `pairs`: (presented, transcribed) -> weight; "" stands for nothing, so ("e", "") holds the e's
    left out and ("", "e") the e's put in. Every optimal alignment of a phrase weighs one over their
    number, so the weights need not be whole.
    Source: MacKenzie & Soukoreff, NordiCHI 2002.
    """

    pairs: Mapping[Pair, float]

    @classmethod
    def of(cls, alignments: Iterable[Alignments]) -> ConfusionMatrix:
        """Sum over phrases: `alignments`, one of each."""
        total: defaultdict[Pair, float] = defaultdict(float)
        for one in alignments:
            for pair, weight in one.pairs.items():
                total[pair] += weight
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
