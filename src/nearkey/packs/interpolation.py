"""Mixing models of several sources into one back-off model.

The share of a source depends on how often it has seen the context: source i has a mixture weight
beta[i, b] for each bin b of its count of the context, and its weight after context h is its mixture weight
divided by the sum over sources. With one bin this is plain static interpolation. It is the idea of
count merging (M. Bacchiani, M. Riley, B. Roark, R. Sproat, "MAP adaptation of stochastic grammars",
Computer Speech and Language 20, 2006) with the dependence on the count fitted rather than given. The
weights maximise the likelihood of held-out text; each step is an EM step whose M-step is the update
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
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import NgramCounts
from nearkey.packs.tree import IntArray, NgramTree, merge_trees

COUNT_BINS = (1, 3, 10, 100, 1000)
"""Lower edges of the bins of context counts; below the first is bin 0, a context never seen."""


@dataclass(frozen=True, slots=True)
class MixtureSource:
    """A model, and for each of its levels how often each entry was seen as a context."""

    model: BackoffModel
    context_counts: tuple[NDArray[np.int64], ...]

    @classmethod
    def of(cls, counts: NgramCounts, *, base: FloatArray | None = None) -> MixtureSource:
        """The Kneser-Ney model of these counts; `base` as for `kneser_ney.estimate`."""
        return cls(estimate(counts, base=base), counts.counts[:-1])

    @classmethod
    def unigram(cls, probabilities: FloatArray) -> MixtureSource:
        """A source that knows no contexts."""
        tree = NgramTree(len(probabilities), ())
        with np.errstate(divide="ignore"):
            return cls(BackoffModel(tree, (np.log(probabilities),), ()), ())


def bins_of(counts: NDArray[np.int64] | FloatArray) -> NDArray[np.uint8]:
    """The bin of each count."""
    return np.searchsorted(np.array(COUNT_BINS), counts, side="right").astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Evidence:
    """What held-out tokens say about the sources at one level.

    `probs` ``(tokens, speaking)``: the probability of the token by each source that may speak on this text
    (it was not taken from there); `bins` its context's bin; `weight` ``(tokens,)``: how much the token
    counts; `columns` ``(speaking,)``: which of the mixture's sources these are.
    """

    probs: FloatArray
    bins: NDArray[np.uint8]
    weight: FloatArray
    columns: IntArray

    def where(self, keep: NDArray[np.bool_]) -> Evidence:
        """That of some of the tokens."""
        return Evidence(self.probs[keep], self.bins[keep], self.weight[keep], self.columns)


def source_evidence(
    sources: Sequence[MixtureSource],
    stream: IntArray,
    *,
    order: int,
    total_weight: float = 1.0,
    columns: Sequence[int] | None = None,
) -> tuple[list[Evidence], list[NDArray[np.bool_]]]:
    """What the predicted tokens of `stream` say, for each level from 1 to `order`; and for each level
    which of them some source holds with the whole n-gram.

    Parameters
    ----------
    sources : those that may speak on this text.
    total_weight : of all tokens together, which weigh the same.
    columns : which sources of the mixture `sources` are; the first ones by default.
    """
    predicted = stream != BOS
    n_tokens = int(predicted.sum())
    shape = (n_tokens, len(sources))
    explicit = [np.zeros(n_tokens, dtype=bool) for _ in range(order)]
    evidence = [
        Evidence(
            np.zeros(shape),
            np.zeros(shape, dtype=np.uint8),
            np.full(n_tokens, total_weight / max(1, n_tokens)),
            np.arange(len(sources)) if columns is None else np.array(columns),
        )
        for _ in range(order)
    ]
    for place, source in enumerate(sources):
        steps = walk(source.model.tree, stream)
        scores = source.model.log_probs_at(steps)
        for level, part in enumerate(evidence, start=1):
            part.probs[:, place] = np.exp(scores[min(level, len(scores)) - 1])[predicted]
            part.bins[:, place] = _context_bins(source, steps, level)[predicted]
            if level <= source.model.order:
                found = np.full(len(stream), -1)
                found[level - 1 :] = steps.found[level - 1]
                explicit[level - 1] |= found[predicted] >= 0
    return evidence, explicit


def fit_fixed_weights(
    tables: FloatArray, texts: Sequence[tuple[IntArray, Sequence[int], float]]
) -> FloatArray:
    """Mixture weights ``(sources,)``, up to a common factor, of probabilities without context.

    tables : P(word) of each source, ``(sources, words)``. texts : words, the sources that may speak on them,
    and the weight of all these words together.
    """
    evidence = []
    for words, columns, total_weight in texts:
        probs = tables[np.array(columns)][:, words].T
        weight = np.full(len(words), total_weight / max(1, len(words)))
        bins = np.zeros(probs.shape, dtype=np.uint8)
        evidence.append(Evidence(probs, bins, weight, np.array(columns)))
    return fit_mixture_weights(evidence)[0][:, 0]


def _context_bins(source: MixtureSource, steps: Walk, level: int) -> NDArray[np.uint8]:
    """Band of the count of the level-1 tokens before each position (cut at the sentence's start)."""
    size = len(steps.found[0])
    bins = np.zeros(size, dtype=np.uint8)
    for length in range(1, min(level - 1, len(source.context_counts)) + 1):
        inside = steps.inside[length - 1]
        context = steps.found[length - 1][: size - length]
        counts = taken(source.context_counts[length - 1], np.where(inside, context, -1), 0.0)
        # A context cut short by the sentence's start stays as found one length before.
        bins[length:] = np.where(inside, bins_of(counts), bins[length:])
    return bins


def fit_mixture_weights(
    evidence: Sequence[Evidence], *, steps: int = 200, tolerance: float = 1e-6
) -> tuple[FloatArray, list[float]]:
    """Mixture weights ``(sources, bins)``, up to a common factor, of the highest weighted log-likelihood;
    and its course.

    Starts from equal weights; stops after `steps`, or when a step gains less than `tolerance` nats per
    token. The last source speaks on some text.
    """
    n_sources = 1 + max(int(part.columns.max()) for part in evidence)
    n_bins = len(COUNT_BINS) + 1
    mixture_weight = np.ones((n_sources, n_bins))
    total = sum(float(part.weight.sum()) for part in evidence)
    course: list[float] = []
    if total == 0.0:  # every token is explained by a longer context
        return mixture_weight, [0.0]
    # Columns lie together in memory: what is added up does not depend on how the evidence was made.
    parts = [
        (
            np.asfortranarray(part.probs),
            np.asfortranarray(part.bins + part.columns * n_bins),
            part.weight,
        )
        for part in evidence
    ]
    for _ in range(steps):
        won = np.zeros(n_sources * n_bins)
        offered = np.zeros_like(won)
        log_likelihood = 0.0
        for probs, cell, weight in parts:
            beta = mixture_weight.ravel()[cell]
            norm = beta.sum(axis=1)
            joint = beta * probs
            mixed = joint.sum(axis=1)
            log_likelihood += float(weight @ np.log(mixed / norm))
            cells = cell.ravel()
            won += np.bincount(cells, (joint * (weight / mixed)[:, None]).ravel(), len(won))
            offer = np.repeat(weight / norm, cell.shape[1])
            offered += np.bincount(cells, offer, len(won))
        course.append(log_likelihood / total)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = (won / offered).reshape(mixture_weight.shape)
        mixture_weight = np.where(offered.reshape(mixture_weight.shape) > 0, ratio, mixture_weight)
        mixture_weight = np.maximum(mixture_weight / mixture_weight.max(), 1e-9)
        if len(course) > 1 and course[-1] - course[-2] < tolerance:
            break
    return mixture_weight, course


def interpolate(
    sources: Sequence[MixtureSource], mixture_weights: Sequence[FloatArray]
) -> tuple[BackoffModel, list[FloatArray]]:
    """One back-off model over the union of the sources' n-grams.

    `mixture_weights[k-1]` ``(sources, bins)`` serves level k. Each explicit n-gram gets the mixed probability
    exactly; back-offs are set so that every context sums to 1. Also returns, for each level but the
    last, the mixed relative frequency of each entry, as the pruning's estimate of a context's weight.
    """
    tree, _, places = merge_trees([source.model.tree for source in sources])
    previous = [np.exp(source.model.log_prob[0]) for source in sources]
    logs: list[FloatArray] = []
    mass: list[FloatArray] = []
    for level, fitted in enumerate(mixture_weights[: tree.order], start=1):
        size = tree.size(level)
        if level == 1:
            weights = fitted[None, :, 0] / fitted[:, 0].sum()
            parent = np.zeros(size, dtype=np.int64)
        else:
            parent = tree.parent(level)
            above = tree.size(level - 1)
            chosen = [
                fitted[i][_bins_at(source, places[i], level - 1, above)]
                for i, source in enumerate(sources)
            ]
            weights = np.stack(chosen, axis=1)
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
            mass.append(np.zeros(size))
            share = mixture_weights[level].sum(axis=1) / mixture_weights[level].sum()
            for i, source in enumerate(sources):
                if level <= len(source.context_counts):
                    counts = source.context_counts[level - 1]
                    part = share[i] * counts / source.context_counts[0].sum()
                    mass[-1][places[i][level - 1]] += part
    return normalised(tree, tuple(logs)), mass


def _bins_at(
    source: MixtureSource, places: list[IntArray], level: int, size: int
) -> NDArray[np.uint8]:
    """The bin, for this source, of each entry of the union's `level`."""
    bins = np.zeros(size, dtype=np.uint8)
    if level <= len(source.context_counts):
        bins[places[level - 1]] = bins_of(source.context_counts[level - 1])
    return bins
