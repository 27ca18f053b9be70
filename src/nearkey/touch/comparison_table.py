"""Scores of touch models on held-out people, and the table made of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError

__all__ = ["T95", "ComparisonRow", "FoldScore", "TouchComparison", "summarise"]

Floats = NDArray[np.float64]

# Two-sided 95 % quantiles of Student's t for 1 to 30 degrees of freedom (any statistics table).
T95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FoldScore:
    """One model on one fold: the touches of `fold` (a person, or a block of one person's log).

    `log_likelihood` is the sum over its `n` touches of the log density per mm² under the key
    meant; `hits` counts touches whose likeliest key was that key; `inside` those in the 95 %
    ellipse; `decoded` of `words` came out right first where a decoder was given, else 0 of 0.
    """

    model: str
    fold: str
    n: int
    log_likelihood: float
    hits: int
    inside: int
    decoded: int
    words: int


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """A model's figures: means over people, each person weighing the same.

    `log_likelihood` per touch, per mm², and `gain` over the baseline, each with the half width of
    a 95 % t interval over people; so too the shares of key hits, of touches in the 95 % ellipse, and of
    words decoded (NaN without a decoder).
    """

    model: str
    log_likelihood: float
    log_likelihood_half: float
    gain: float
    gain_half: float
    key_hit: float
    key_hit_half: float
    inside_95: float
    inside_95_half: float
    top1: float
    top1_half: float


@dataclass(frozen=True, slots=True)
class TouchComparison:
    """Models compared on held-out people. `str()` is the table; `best` the row of highest
    held-out log likelihood."""

    scheme: str
    baseline: str
    rows: tuple[ComparisonRow, ...]
    folds: tuple[FoldScore, ...]

    @property
    def best(self) -> ComparisonRow:
        return max(self.rows, key=lambda row: row.log_likelihood)

    @property
    def decoded(self) -> bool:
        """Whether a decoder was given."""
        return any(fold.words for fold in self.folds)

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row per model."""
        return [{name: getattr(row, name) for name in ComparisonRow.__slots__} for row in self.rows]

    def __str__(self) -> str:
        head = [
            "model",
            "log lik./touch",
            f"gain on {self.baseline}",
            "key hit %",
            "in 95 % ell. %",
        ]
        lines = [
            [
                row.model,
                f"{row.log_likelihood:.3f} ± {row.log_likelihood_half:.3f}",
                f"{row.gain:+.3f} ± {row.gain_half:.3f}",
                f"{100 * row.key_hit:.1f} ± {100 * row.key_hit_half:.1f}",
                f"{100 * row.inside_95:.1f} ± {100 * row.inside_95_half:.1f}",
            ]
            for row in self.rows
        ]
        if self.decoded:
            head.append("top-1 %")
            for line, row in zip(lines, self.rows, strict=True):
                line.append(f"{100 * row.top1:.1f} ± {100 * row.top1_half:.1f}")
        widths = [max(map(len, column)) for column in zip(head, *lines, strict=True)]
        table = [
            "  ".join(
                cell.ljust(w) if i == 0 else cell.rjust(w)
                for i, (cell, w) in enumerate(zip(line, widths, strict=True))
            ).rstrip()
            for line in (head, *lines)
        ]
        return "\n".join(
            [*table, f"{self.scheme}; natural logs per mm²; ± 95 % t interval over folds."]
        )


def summarise(
    folds: Sequence[FoldScore], *, scheme: str, baseline: str | None = None
) -> TouchComparison:
    """The table of fold scores."""
    names = list(dict.fromkeys(score.model for score in folds))
    base = names[0] if baseline is None else baseline
    if base not in names:
        raise TouchModelError(
            f"'{base}' is not compared", field="baseline", fix=f"use one of {', '.join(names)}"
        )
    by_model = {name: [s for s in folds if s.model == name] for name in names}
    reference = np.array([s.log_likelihood / s.n for s in by_model[base]])
    rows = []
    for name in names:
        scores = by_model[name]
        each = np.array([s.log_likelihood / s.n for s in scores])
        hit = np.array([s.hits / s.n for s in scores])
        inside = np.array([s.inside / s.n for s in scores])
        words = np.array([s.decoded / s.words if s.words else np.nan for s in scores])
        rows.append(
            ComparisonRow(
                name,
                *_mean_and_half(each),
                *_mean_and_half(each - reference),
                *_mean_and_half(hit),
                *_mean_and_half(inside),
                *_mean_and_half(words),
            )
        )
    return TouchComparison(scheme=scheme, baseline=base, rows=tuple(rows), folds=tuple(folds))


def _mean_and_half(values: Floats) -> tuple[float, float]:
    """Mean, and half the width of its 95 % t interval (NaN for one value)."""
    n = len(values)
    if n < 2:
        return float(values.mean()), math.nan
    t = T95[n - 2] if n - 1 <= len(T95) else 1.96
    return float(values.mean()), float(t * values.std(ddof=1) / math.sqrt(n))
