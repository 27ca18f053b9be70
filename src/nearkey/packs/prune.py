"""Entropy pruning: drop the n-grams whose loss changes the model least.

A. Stolcke, "Entropy-based Pruning of Backoff Language Models", DARPA Broadcast News Transcription and
Understanding Workshop, 1998. Dropping (h, w) raises the relative entropy by

    D = -p(h) { p(w|h) [log p(w|h') + log a' - log p(w|h)] + (log a' - log a) (1 - sum of explicit p(.|h)) }

with h' the shortened context, a the back-off weight and a' the weight after dropping. p(h) is given from
outside, since the lower orders of a Kneser-Ney model are no estimate of how often a context occurs
(C. Chelba, T. Brants, W. Neveitt, P. Xu, "Study on interaction between entropy pruning and Kneser-Ney
smoothing", Interspeech 2010).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearkey.packs.backoff import BackoffModel, FloatArray, lower_log_probs, normalised


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
