"""A back-off model over an n-gram tree: scoring, normalising, comparing; and entropy pruning.

Pruning drops the n-grams whose loss changes the model least: A. Stolcke, "Entropy-based Pruning of Backoff Language
Models", DARPA Broadcast News Transcription and Understanding Workshop, 1998. Dropping (h, w) raises the relative
entropy by

    D = -p(h) { p(w|h) [log p(w|h') + log a' - log p(w|h)] + (log a' - log a) (1 - sum of explicit p(.|h)) }

with h' the shortened context, a the back-off weight and a' the weight after dropping. p(h) is given from
outside, since the lower orders of a Kneser-Ney model are no estimate of how often a context occurs
(C. Chelba, T. Brants, W. Neveitt, P. Xu, "Study on interaction between entropy pruning and Kneser-Ney
smoothing", Interspeech 2010).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS
from nearkey.packs.tree import IntArray, NgramTree

FloatArray = NDArray[np.float64]
LEAST_MASS = 1e-9
"""Mass that a context leaves to unseen followers at least (rounding could make it 0 or less)."""
LOG_ZERO = -99.0 * float(np.log(10.0))
"""Stands for log 0, as -99 does in ARPA files; only ``<s>`` has it."""


@dataclass(frozen=True, slots=True)
class BackoffModel:
    """Natural log P of each n-gram and natural log back-off of each context.

    `log_prob[k-1]` and `backoff[k-1]` belong to level k of `tree`; the last level has no back-off.
    """

    tree: NgramTree
    log_prob: tuple[FloatArray, ...]
    backoff: tuple[FloatArray, ...]

    @property
    def order(self) -> int:
        """Length of the longest n-grams."""
        return self.tree.order

    def log_probs_at(self, steps: Walk, *, token: int | None = None) -> list[FloatArray]:
        """For each order m from 1: log P of each position's token after its last m-1 tokens.

        steps : `walk(self.tree, stream)`. token : score this one at every position in place of what
        stands there. Positions of ``<s>`` have no meaning.
        """
        size = len(steps.found[0])
        asked = steps.found[0] if token is None else np.full(size, token)
        scores = [self.log_prob[0][asked]]
        for level in range(2, self.order + 1):
            lower = scores[-1]
            score = lower.copy()
            ends = slice(level - 1, size)
            context = steps.found[level - 2][: size - level + 1]
            inside = steps.inside[level - 2]
            context = np.where(inside, context, -1)
            score[ends] += taken(self.backoff[level - 2], context, 0.0)
            entry = steps.found[level - 1]
            if token is not None:
                entry = self.tree.lookup(level, context, asked[ends])
            score[ends] = taken(self.log_prob[level - 1], entry, score[ends])
            scores.append(score)
        return scores

    def score(self, stream: IntArray) -> FloatArray:
        """Log P of each token of `stream` after what precedes it in its sentence; 0 at ``<s>``."""
        scores = self.log_probs_at(walk(self.tree, stream))[-1]
        return np.where(stream == BOS, 0.0, scores)

    def score_rows(self, tokens: IntArray) -> FloatArray:
        """log P(last column | columns before) for rows of token ids ``(n, k)``."""
        width = tokens.shape[1]
        total = self.log_prob[0][tokens[:, -1]]
        for length in range(2, min(width, self.order) + 1):
            rows = tokens[:, width - length :]
            context = self.tree.find(rows[:, :-1])
            entry = self.tree.lookup(length, context, rows[:, -1])
            total = total + taken(self.backoff[length - 2], context, 0.0)
            total = taken(self.log_prob[length - 1], entry, total)
        return total


def taken(values: NDArray[Any], at: IntArray, otherwise: FloatArray | float) -> FloatArray:
    """`values[at]`, or `otherwise` where `at` is -1."""
    if values.size == 0:
        return np.broadcast_to(otherwise, at.shape).astype(np.float64)
    return np.where(at >= 0, values[at], otherwise)


@dataclass(frozen=True, slots=True)
class Walk:
    """Where the n-grams of a stream lie in a tree.

    `found[k-1][i]` is the entry of the k tokens from position i, -1 if absent or cut by a sentence's
    end; `inside[k-2][i]` says whether k tokens from i lie in one sentence.
    """

    found: list[IntArray]
    inside: list[NDArray[np.bool_]]


def walk(tree: NgramTree, stream: IntArray) -> Walk:
    """Find every n-gram of `stream` in `tree`."""
    stream = stream.astype(np.int64)
    size = len(stream)
    sentence = np.cumsum(stream == BOS)
    found = [stream]
    inside: list[NDArray[np.bool_]] = []
    for level in range(2, tree.order + 1):
        end = max(0, size - level + 1)
        within = sentence[:end] == sentence[level - 1 :]
        context = np.where(within, found[-1][:end], -1)
        found.append(tree.lookup(level, context, stream[level - 1 :]))
        inside.append(within)
    return Walk(found, inside)


def normalised(tree: NgramTree, log_prob: tuple[FloatArray, ...]) -> BackoffModel:
    """The model with these explicit probabilities whose back-offs make every context sum to 1.

    Bottom up: the mass that the explicit followers of a context leave is spread over the rest in
    proportion to the shorter context.
    """
    backoff: list[FloatArray] = []
    for level in range(1, tree.order):
        so_far = BackoffModel(
            NgramTree(tree.vocab_size, tree.keys[: level - 1]),
            log_prob[:level],
            tuple(backoff),
        )
        lower = lower_log_probs(so_far, level + 1, tree)
        parent = tree.parent(level + 1)
        size = tree.size(level)
        explicit = np.bincount(parent, weights=np.exp(log_prob[level]), minlength=size)
        covered = np.bincount(parent, weights=np.exp(lower), minlength=size)
        left, rest = 1.0 - explicit, 1.0 - covered
        alpha = np.log(np.maximum(left, LEAST_MASS)) - np.log(np.maximum(rest, LEAST_MASS))
        alpha = np.where(rest > LEAST_MASS, alpha, 0.0)
        has_child = np.bincount(parent, minlength=size) > 0
        backoff.append(np.where(has_child, alpha, 0.0))
    return BackoffModel(tree, log_prob, tuple(backoff))


def lower_log_probs(model: BackoffModel, level: int, tree: NgramTree | None = None) -> FloatArray:
    """log P of the last token of each entry of `level` (from 2) after its shortened context.

    tree : whose entries; the model's own by default.
    """
    tree = tree or model.tree
    suffix = tree.suffix(level)
    lower = model.log_prob[level - 2]
    absent = suffix < 0
    if not absent.any():
        return lower[suffix]
    scores = lower[np.where(absent, 0, suffix)]
    scores[absent] = model.score_rows(tree.token_matrix(level)[absent, 1:])
    return scores


def context_sums(model: BackoffModel) -> list[FloatArray]:
    """For each level but the last, the sum over all tokens of their probabilities after each entry."""
    tree = model.tree
    of_unigrams = float(np.exp(model.log_prob[0]).sum())
    sums: list[FloatArray] = []
    for level in range(1, tree.order):
        size = tree.size(level)
        parent = tree.parent(level + 1)
        explicit = np.bincount(parent, weights=np.exp(model.log_prob[level]), minlength=size)
        lower = np.exp(lower_log_probs(model, level + 1))
        covered = np.bincount(parent, weights=lower, minlength=size)
        shorter = np.full(size, of_unigrams)
        if level > 1:
            rows = tree.token_matrix(level)
            for length in range(1, level):  # the longest that is there, after pruning
                at = tree.find(rows[:, level - length :])
                shorter = np.where(at >= 0, sums[length - 1][at], shorter)
        sums.append(explicit + np.exp(model.backoff[level - 1]) * (shorter - covered))
    return sums


def perplexity(log_probs: FloatArray) -> float:
    """exp of minus the mean natural log probability."""
    return float(np.exp(-np.mean(log_probs)))


# ---- pruning ----


def pruning_losses(model: BackoffModel, context_mass: Sequence[FloatArray]) -> list[FloatArray]:
    """For each level from 2 up, the growth of relative entropy (nats per token) if an entry goes alone.

    `context_mass[k-1]` is the probability of each entry of level k as a context.
    """
    tree = model.tree
    losses: list[FloatArray] = []
    for level in range(2, tree.order + 1):
        parent = tree.parent(level)
        log_p = model.log_prob[level - 1]
        log_lower = lower_log_probs(model, level)
        p, lower = np.exp(log_p), np.exp(log_lower)
        size = tree.size(level - 1)
        left = 1.0 - np.bincount(parent, weights=p, minlength=size)
        rest = 1.0 - np.bincount(parent, weights=lower, minlength=size)
        left, rest = np.maximum(left, 1e-12), np.maximum(rest, 1e-12)
        log_after = np.log(left[parent] + p) - np.log(rest[parent] + lower)
        log_before = np.log(left) - np.log(rest)
        change = p * (log_lower + log_after - log_p)
        change += (log_after - log_before[parent]) * left[parent]
        losses.append(-context_mass[level - 2][parent] * change)
    return losses


def kept_at(
    model: BackoffModel, losses: Sequence[FloatArray], threshold: float
) -> list[NDArray[np.bool_]]:
    """Which entries stay: those that lose more than `threshold`, and the contexts of those that stay."""
    tree = model.tree
    keep = [loss > threshold for loss in losses]
    for level in range(tree.order, 2, -1):
        needed = tree.parent(level)[keep[level - 2]]
        keep[level - 3][needed] = True
    return keep


def prune(
    model: BackoffModel, context_mass: Sequence[FloatArray], threshold: float
) -> BackoffModel:
    """The model without the n-grams that lose at most `threshold`, its back-offs set anew."""
    losses = pruning_losses(model, context_mass)
    return _filtered(model, kept_at(model, losses, threshold))


def prune_to_size(
    model: BackoffModel,
    context_mass: Sequence[FloatArray],
    *,
    fits: Callable[[tuple[int, ...]], bool],
) -> tuple[BackoffModel, float]:
    """The least pruned model whose level sizes satisfy `fits`; and the threshold used."""
    if fits(model.tree.sizes()):
        return model, 0.0
    losses = pruning_losses(model, context_mass)
    low, high = -60.0, 0.0  # natural logs of thresholds
    for _ in range(40):
        middle = (low + high) / 2
        keep = kept_at(model, losses, float(np.exp(middle)))
        sizes = (model.tree.vocab_size, *(int(np.count_nonzero(level)) for level in keep))
        if fits(sizes):
            high = middle
        else:
            low = middle
    threshold = float(np.exp(high))
    return _filtered(model, kept_at(model, losses, threshold)), threshold


def _filtered(model: BackoffModel, keep: list[NDArray[np.bool_]]) -> BackoffModel:
    logs = [model.log_prob[0]]
    logs += [log[kept] for log, kept in zip(model.log_prob[1:], keep, strict=True)]
    return normalised(model.tree.filtered(keep), tuple(logs))
