"""Perplexity and out-of-vocabulary rate on held-out text."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearkey.language.info import HeldOut
from nearkey.language.tokens import BOS, FIRST_WORD, UNK
from nearkey.packs.backoff import BackoffModel, taken

__all__ = ["held_out_record"]


def held_out_record(model: BackoffModel, stream: NDArray[np.int64], title: str) -> HeldOut:
    """Measure a model on a stream of tokens.

    Each sentence begins in the state ``<s>``. `perplexity` is over the lexicon's words; unknown words
    are not counted, and stand in contexts as ``<unk>``. `perplexity_with_ends` counts numbers and
    ``</s>`` as well.
    """
    scores = model.score(stream)
    words = stream >= FIRST_WORD
    unknown = stream == UNK
    spelled = int(words.sum() + unknown.sum())
    counted = ~unknown & (stream != BOS)
    unk_rows = np.exp(unknown_log_probs(model, stream))
    predicted = float(np.mean(unk_rows[words | unknown])) if spelled else 0.0
    return HeldOut(
        title=title,
        words=int(words.sum()),
        oov_rate=round(float(unknown.sum()) / max(1, spelled), 5),
        unknown_predicted=round(predicted, 5),
        perplexity=round(float(np.exp(-scores[words].mean())), 1),
        perplexity_with_ends=round(float(np.exp(-scores[counted].mean())), 1),
    )


def unknown_log_probs(model: BackoffModel, stream: NDArray[np.int64]) -> NDArray[np.float64]:
    """log P(``<unk>`` | context) at each position, whatever stands there."""
    size = len(stream)
    sentence = np.cumsum(stream == BOS)
    width = model.order
    total = np.full(size, model.log_prob[0][UNK])
    for length in range(2, width + 1):
        starts = np.arange(size - length + 1)
        rows = np.stack([stream[starts + i] for i in range(length - 1)], axis=1)
        inside = sentence[starts] == sentence[starts + length - 2]
        inside &= (rows[:, 1:] != BOS).all(axis=1)
        context = np.where(inside, model.tree.find(rows), -1)
        entry = model.tree.lookup(length, context, np.full(len(starts), UNK))
        ends = starts + length - 1
        total[ends] += taken(model.backoff[length - 2], context, 0.0)
        total[ends] = taken(model.log_prob[length - 1], entry, total[ends])
    return total
