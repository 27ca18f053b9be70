"""Mixing models of several sources into one back-off model.

The share of a source depends on how often it has seen the context: source i has a strength
beta[i, b] for each band b of its count of the context, and its weight after context h is its strength
divided by the sum over sources. With one band this is plain static interpolation. It is the idea of
count merging (M. Bacchiani, M. Riley, B. Roark, R. Sproat, "MAP adaptation of stochastic grammars",
Computer Speech and Language 20, 2006) with the dependence on the count fitted rather than given. The
strengths maximise the likelihood of held-out text; each step is an EM step whose M-step is the update
for a Bradley-Terry model (D. R. Hunter, Annals of Statistics 32, 2004), so that no step loses likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS
from nearkey.packs.backoff import (
    BackoffModel,
    FloatArray,
    Walk,
    normalised,
    taken,
    walk,
)
from nearkey.packs.counts import NgramCounts
from nearkey.packs.tree import IntArray, NgramTree, merge_trees

__all__ = ["BANDS", "Evidence", "Source", "fit_strengths", "interpolate", "source_evidence"]

BANDS = (1, 3, 10, 100, 1000)
"""Lower edges of the bands of context counts; below the first is band 0, a context never seen."""


@dataclass(frozen=True, slots=True)
class Source:
    """A model, and for each of its levels how often each entry was seen as a context."""

    model: BackoffModel
    context_counts: tuple[NDArray[np.int64], ...]

    @classmethod
    def of(cls, model: BackoffModel, counts: NgramCounts) -> Source:
        return cls(model, counts.counts[:-1])

    @classmethod
    def unigram(cls, probabilities: FloatArray) -> Source:
        """A source that knows no contexts."""
        tree = NgramTree(len(probabilities), ())
        with np.errstate(divide="ignore"):
            return cls(BackoffModel(tree, (np.log(probabilities),), ()), ())


def bands_of(counts: NDArray[np.int64] | FloatArray) -> NDArray[np.uint8]:
    """The band of each count."""
    return np.searchsorted(np.array(BANDS), counts, side="right").astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What held-out tokens say about the sources at one level.

    `probs` ``(tokens, sources)``: each source's probability of the token; `bands` its context's band;
    `weight` ``(tokens,)``: how much the token counts; `usable` ``(sources,)``: False for a source that
    may not speak on this text (it was taken from there).
    """

    probs: FloatArray
    bands: NDArray[np.uint8]
    weight: FloatArray
    usable: NDArray[np.bool_]


def source_evidence(
    sources: Sequence[Source], stream: IntArray, *, order: int
) -> list[tuple[FloatArray, NDArray[np.uint8], NDArray[np.bool_]]]:
    """For each level from 1 to `order`: probabilities and bands ``(tokens, sources)``, and ``(tokens,)``
    whether some source holds the whole n-gram, for the predicted tokens of `stream`."""
    predicted = stream != BOS
    per_level: list[tuple[list[FloatArray], list[NDArray[np.uint8]]]] = [
        ([], []) for _ in range(order)
    ]
    explicit = [np.zeros(len(stream), dtype=bool) for _ in range(order)]
    for source in sources:
        steps = walk(source.model.tree, stream)
        scores = source.model.log_probs_at(steps)
        for level in range(1, order + 1):
            probs, bands = per_level[level - 1]
            probs.append(np.exp(scores[min(level, len(scores)) - 1])[predicted])
            bands.append(_context_bands(source, steps, level)[predicted])
            if level <= source.model.order:
                found = np.full(len(stream), -1)
                found[level - 1 :] = steps.found[level - 1]
                explicit[level - 1] |= found >= 0
    return [
        (np.stack(probs, axis=1), np.stack(bands, axis=1), seen[predicted])
        for (probs, bands), seen in zip(per_level, explicit, strict=True)
    ]


def _context_bands(source: Source, steps: Walk, level: int) -> NDArray[np.uint8]:
    """Band of the count of the level-1 tokens before each position (cut at the sentence's start)."""
    size = len(steps.found[0])
    bands = np.zeros(size, dtype=np.uint8)
    for length in range(1, min(level - 1, len(source.context_counts)) + 1):
        inside = steps.inside[length - 1]
        context = steps.found[length - 1][: size - length]
        counts = taken(source.context_counts[length - 1], np.where(inside, context, -1), 0.0)
        # A context cut short by the sentence's start stays as found one length before.
        bands[length:] = np.where(inside, bands_of(counts), bands[length:])
    return bands


def fit_strengths(
    evidence: Sequence[Evidence], *, steps: int = 200, tolerance: float = 1e-6
) -> tuple[FloatArray, list[float]]:
    """Strengths ``(sources, bands)`` that maximise the weighted log-likelihood, and its course.

    Starts from equal strengths; stops when a step gains less than `tolerance` per token.
    """
    n_sources = evidence[0].probs.shape[1]
    n_bands = len(BANDS) + 1
    strength = np.ones((n_sources, n_bands))
    total = sum(float(part.weight.sum()) for part in evidence)
    course: list[float] = []
    if total == 0.0:  # every token is explained by a longer context
        return strength, [0.0]
    parts = [_Weighed.of(part, n_bands) for part in evidence]
    for _ in range(steps):
        won = np.zeros(n_sources * n_bands)
        offered = np.zeros_like(won)
        log_likelihood = 0.0
        for part in parts:
            beta = strength.ravel()[part.cell]
            norm = beta.sum(axis=1)
            joint = beta * part.probs
            mixed = joint.sum(axis=1)
            log_likelihood += float(part.weight @ np.log(mixed / norm))
            cells = part.cell.ravel()
            share = joint * (part.weight / mixed)[:, None]
            won += np.bincount(cells, share.ravel(), minlength=len(won))
            offer = np.repeat(part.weight / norm, part.cell.shape[1])
            offered += np.bincount(cells, offer, minlength=len(won))
        course.append(log_likelihood / total)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = (won / offered).reshape(strength.shape)
        strength = np.where(offered.reshape(strength.shape) > 0, ratio, strength)
        strength = np.maximum(strength / strength.max(), 1e-9)
        if len(course) > 1 and course[-1] - course[-2] < tolerance:
            break
    return strength, course


@dataclass(frozen=True, slots=True)
class _Weighed:
    """Evidence without the tokens that do not count and the sources that may not speak; `cell` is the place
    of each source's band among all strengths."""

    probs: FloatArray
    cell: NDArray[np.int64]
    weight: FloatArray

    @classmethod
    def of(cls, part: Evidence, n_bands: int) -> _Weighed:
        counts = part.weight > 0
        speaking = np.flatnonzero(part.usable)
        cell = part.bands[counts][:, speaking] + speaking * n_bands
        return cls(part.probs[counts][:, speaking], cell, part.weight[counts])


def interpolate(
    sources: Sequence[Source], strengths: Sequence[FloatArray]
) -> tuple[BackoffModel, list[FloatArray]]:
    """One back-off model over the union of the sources' n-grams.

    `strengths[k-1]` ``(sources, bands)`` serves level k. Each explicit n-gram gets the mixed probability
    exactly; back-offs are set so that every context sums to 1. Also returns, for each level but the
    last, the mixed relative frequency of each entry, as the pruning's estimate of a context's weight.
    """
    tree, places = merge_trees([source.model.tree for source in sources])
    n_sources = len(sources)
    previous = [np.exp(source.model.log_prob[0]) for source in sources]
    logs: list[FloatArray] = []
    mass: list[FloatArray] = []
    plain = [strength.sum(axis=1) / strength.sum() for strength in strengths]
    for level in range(1, tree.order + 1):
        strength = strengths[level - 1]
        size = tree.size(level)
        if level == 1:
            weights = np.tile(strength[:, 0] / strength[:, 0].sum(), (1, 1))
            parent = np.zeros(size, dtype=np.int64)
        else:
            parent = tree.parent(level)
            weights = np.stack(
                [
                    strength[i][_bands_at(sources[i], places[i], level - 1, tree.size(level - 1))]
                    for i in range(n_sources)
                ],
                axis=1,
            )
            weights /= weights.sum(axis=1, keepdims=True)
        mixed = np.zeros(size)
        for i, source in enumerate(sources):
            if level > 1:
                gamma = np.zeros(tree.size(level - 1))
                if level <= source.model.order:
                    gamma[places[i][level - 2]] = source.model.backoff[level - 2]
                previous[i] = np.exp(gamma)[parent] * previous[i][tree.suffix(level)]
                if level <= source.model.order:
                    previous[i][places[i][level - 1]] = np.exp(source.model.log_prob[level - 1])
            mixed += weights[parent, i] * previous[i]
        with np.errstate(divide="ignore"):
            logs.append(np.log(mixed))
        if level < tree.order:
            frequency = np.zeros(size)
            for i, source in enumerate(sources):
                if level <= len(source.context_counts):
                    counts = source.context_counts[level - 1]
                    frequency[places[i][level - 1]] += (
                        plain[level][i] * counts / source.context_counts[0].sum()
                    )
            mass.append(frequency)
    return normalised(tree, tuple(logs)), mass


def _bands_at(source: Source, places: list[IntArray], level: int, size: int) -> NDArray[np.uint8]:
    """The band, for this source, of each entry of the union's `level`."""
    bands = np.zeros(size, dtype=np.uint8)
    if level <= len(source.context_counts):
        bands[places[level - 1]] = bands_of(source.context_counts[level - 1])
    return bands
