"""Estimating what edits cost from words whose touches are known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.decode.layout_columns import LayoutColumns
from nearkey.decode.options import EditCosts
from nearkey.decode.protocols import TouchModel
from nearkey.decode.spelling import spell
from nearkey.decode.touches import Touches
from nearkey.errors import DecodeError
from nearkey.layout import Layout

_ROUNDS = 20


@dataclass(frozen=True, slots=True)
class EditFit:
    """What was counted, and the costs it gives.

    omitted, extra, swapped : edits in the best alignments. letters, n_touches, pairs : chances for each.
    """

    costs: EditCosts
    omitted: int
    extra: int
    swapped: int
    letters: int
    n_touches: int
    pairs: int

    def __str__(self) -> str:
        return (
            f"omitted {self.omitted} of {self.letters} letters, extra {self.extra} of {self.n_touches} touches, "
            f"swapped {self.swapped} of {self.pairs} neighbours"
        )


def fit_edits(
    layout: Layout,
    touch: TouchModel,
    words: Sequence[str],
    touches: Sequence[ArrayLike],
    *,
    completion: float | None = None,
) -> EditFit:
    """Costs of omitted, extra and swapped touches from words and the touches meant for each.

    Each word is aligned with its touches in the most probable way under the current costs, the edits are
    counted, and the rates (half a count added, so that none is 0) give new costs, until the
    counts stay (hard expectation-maximisation). An extra touch is taken as uniform over the surface.

    Parameters
    ----------
    words : what was meant. touches : for each word (n, 2) points in layout units.
    completion : passed on to the costs.

    Raises `DecodeError` when a word cannot be typed on the layout, or there are no words.
    """
    if len(words) != len(touches) or not words:
        raise DecodeError(
            f"{len(words)} words and {len(touches)} touch sequences",
            where="fit_edits",
            field="words",
            fix="give one sequence for each word, and at least one word",
        )
    columns = LayoutColumns.of(layout, touch)
    cases: list[tuple[NDArray[np.float64], int]] = []
    for word, points in zip(words, touches, strict=True):
        typed = spell(word, columns.letters)
        if typed is None:
            raise DecodeError(
                f"{word!r} cannot be typed on {layout.name!r}",
                where="fit_edits",
                field="words",
                fix="leave it out",
            )
        rows = Touches.of(points).rows
        column = columns.letter[[columns.letters.index(c) for c in typed]]
        density = (
            columns.pooled(touch.log_prob(rows))[:, column]
            if len(rows)
            else np.zeros((0, len(typed)))
        )
        cases.append((density, len(typed)))
    letters = sum(n for _, n in cases)
    n_touches = sum(len(density) for density, _ in cases)
    pairs = sum(max(0, n - 1) for _, n in cases)
    uniform = -math.log(layout.width * layout.height)

    counts = (0, 0, 0)
    costs = _costs(
        (letters // 50, n_touches // 50, pairs // 50), letters, n_touches, pairs, uniform
    )
    for _ in range(_ROUNDS):
        found = np.sum([_edits(density, costs) for density, _ in cases], axis=0)
        new = (int(found[0]), int(found[1]), int(found[2]))
        costs = _costs(new, letters, n_touches, pairs, uniform)
        if new == counts:
            break
        counts = new
    omitted, extra, swapped = costs
    return EditFit(
        EditCosts(omitted=omitted, extra=extra, swapped=swapped, completion=completion),
        *counts,
        letters,
        n_touches,
        pairs,
    )


def _costs(
    counts: tuple[int, int, int], letters: int, touches: int, pairs: int, uniform: float
) -> tuple[float, float, float]:
    omitted, extra, swapped = (
        math.log((count + 0.5) / (chances + 1.0))
        for count, chances in zip(counts, (letters, touches, pairs), strict=True)
    )
    return omitted, extra + uniform, swapped


def _edits(density: NDArray[np.float64], costs: tuple[float, float, float]) -> tuple[int, int, int]:
    """Edits in the most probable alignment of touches (rows) with letters (columns)."""
    omitted, extra, swapped = costs
    n, m = density.shape
    # best[i][j]: touches i and letters j used; with the edits on the way there.
    nothing = (-math.inf, (0, 0, 0))
    best = [[nothing] * (m + 1) for _ in range(n + 1)]
    best[0][0] = (0.0, (0, 0, 0))
    for i in range(n + 1):
        for j in range(m + 1):
            ways = [best[i][j]]
            if i and j:
                score, edits = best[i - 1][j - 1]
                ways.append((score + density[i - 1, j - 1], edits))
            if j:
                score, (o, x, s) = best[i][j - 1]
                ways.append((score + omitted, (o + 1, x, s)))
            if i:
                score, (o, x, s) = best[i - 1][j]
                ways.append((score + extra, (o, x + 1, s)))
            if i > 1 and j > 1:
                score, (o, x, s) = best[i - 2][j - 2]
                crossed = density[i - 2, j - 1] + density[i - 1, j - 2]
                ways.append((score + swapped + crossed, (o, x, s + 1)))
            best[i][j] = max(ways, key=lambda w: w[0])
    return best[n][m][1]
