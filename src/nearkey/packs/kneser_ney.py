"""Interpolated modified Kneser-Ney smoothing.

S. F. Chen and J. Goodman, "An Empirical Study of Smoothing Techniques for Language Modeling", Harvard
TR-10-98, 1998. The highest order uses counts of occurrences; every lower order uses the number of
distinct tokens seen before the n-gram, except for n-grams that begin with ``<s>``, before which nothing
can stand, and which keep their counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS
from nearkey.packs.backoff import LOG_ZERO, BackoffModel, FloatArray, normalised
from nearkey.packs.ngram_counts import NgramCounts


@dataclass(frozen=True, slots=True)
class Discounts:
    """What is taken off an n-gram seen once, twice, and three times or more."""

    one: float
    two: float
    more: float

    def of(self, counts: NDArray[np.int64]) -> FloatArray:
        """What is taken off each of `counts`."""
        table = np.array([0.0, self.one, self.two, self.more])
        return table[np.minimum(counts, 3)]


FALLBACK = Discounts(0.5, 1.0, 1.5)
"""Used where the counts of counts give no usable discounts (common practice, no source)."""


def fit_discounts(counts: NDArray[np.int64]) -> Discounts:
    """Closed-form discounts from the counts of counts n1 … n4 (Chen & Goodman 1998, equation 26).

    Y = n1 / (n1 + 2 n2); D1 = 1 - 2 Y n2/n1; D2 = 2 - 3 Y n3/n2; D3+ = 3 - 4 Y n4/n3. Counts too few for
    that, or a discount outside (0, its count), give `FALLBACK`.
    """
    n1, n2, n3, n4 = (int(np.count_nonzero(counts == c)) for c in (1, 2, 3, 4))
    if min(n1, n2, n3) == 0:
        return FALLBACK
    y = n1 / (n1 + 2 * n2)
    found = Discounts(1 - 2 * y * n2 / n1, 2 - 3 * y * n3 / n2, 3 - 4 * y * n4 / n3)
    if not (0 < found.one < 1 and 0 < found.two < 2 and 0 < found.more < 3):
        return FALLBACK
    return found


def adjusted_counts(counts: NgramCounts) -> list[NDArray[np.int64]]:
    """The counts each level is estimated from, level 1 first."""
    tree = counts.tree
    adjusted: list[NDArray[np.int64]] = []
    for level in range(1, tree.order):
        before = np.bincount(tree.suffix(level + 1), minlength=tree.size(level))
        starts = tree.first_token(level) == BOS
        adjusted.append(np.where(starts, counts.counts[level - 1], before))
    adjusted.append(counts.counts[-1])
    adjusted[0] = adjusted[0].copy()
    adjusted[0][BOS] = 0  # <s> is never predicted
    return adjusted


def estimate(
    counts: NgramCounts,
    *,
    base: FloatArray | None = None,
    discounts: list[Discounts] | None = None,
    interpolated: bool = True,
) -> BackoffModel:
    """The modified Kneser-Ney model of these counts.

    Parameters
    ----------
    base : probabilities ``(vocab_size,)`` that the unigrams are interpolated with; uniform over all
        tokens but ``<s>`` by default.
    discounts : one per level from 1; fitted from the counts by default.
    interpolated : whether the discounted mass goes to every token by the shorter context; if not, only
        to tokens not seen after the context (the back-off form; worse, for comparison with other tools).
    """
    tree = counts.tree
    adjusted = adjusted_counts(counts)
    if discounts is None:
        discounts = [fit_discounts(level) for level in adjusted]
    if base is None:
        base = np.full(tree.vocab_size, 1.0 / (tree.vocab_size - 1))
        base[BOS] = 0.0
    probs: list[FloatArray] = []
    backoff: list[FloatArray] = []
    for level, (seen, discount) in enumerate(zip(adjusted, discounts, strict=True), start=1):
        taken = np.minimum(discount.of(seen), seen)
        if level == 1:
            total = float(seen.sum())
            share = (seen - taken) / total if total else np.zeros(len(seen))
            rest = taken.sum() / total if total else 1.0
            probs.append(share + rest * base)
            continue
        parent = tree.parent(level)
        size = tree.size(level - 1)
        totals = np.bincount(parent, weights=seen, minlength=size)
        left = np.bincount(parent, weights=taken, minlength=size)
        has = totals > 0
        gamma = np.ones(size)
        gamma[has] = left[has] / totals[has]
        share = (seen - taken) / totals[parent]
        if interpolated:
            share += gamma[parent] * probs[-1][tree.suffix(level)]
        probs.append(share)
        backoff.append(np.log(gamma))
    with np.errstate(divide="ignore"):
        logs = [np.log(level) for level in probs]
    logs[0][BOS] = LOG_ZERO
    if not interpolated:
        return normalised(tree, tuple(logs))
    return BackoffModel(tree, tuple(logs), tuple(backoff))
