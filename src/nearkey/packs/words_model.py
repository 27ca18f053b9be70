"""The word model: one model per source, mixed for text of a kind that none of them is."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS, FIRST_WORD
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import BackoffModel, FloatArray
from nearkey.packs.interpolation import (
    Evidence,
    MixtureSource,
    fit_mixture_weights,
    interpolate,
    source_evidence,
)
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import NgramCounts, merge_counts
from nearkey.packs.spill import count_in_pieces

__all__ = ["MixedModel", "lexicon_log_probs", "list_unigram", "mix_sources"]

IntArray = NDArray[np.int64]

FEW = 3
"""With fewer sources of held-out text, none is left out when its own text is explained."""


@dataclass(slots=True)
class MixedModel:
    """What `mix_sources` fills in.

    `mass` are the context weights for pruning; `weights[k-1]` maps a source's name to its share at
    level k for contexts it has not seen and for the most frequent ones; `held_out_perplexity` is that of
    the fitted mixture on held-out text without the source that the text was taken from.
    """

    model: BackoffModel | None = None
    mass: Sequence[FloatArray] = ()
    weights: Sequence[Mapping[str, tuple[float, float]]] = ()
    held_out_perplexity: float = float("nan")


def list_unigram(
    frequencies: Mapping[str, float], words: Sequence[str], streams: Sequence[IntArray]
) -> FloatArray:
    """A unigram distribution over all tokens from a frequency list.

    The shares of ``<unk>``, ``</s>`` and ``<num>`` are those of the running text. A word that the list
    lacks gets a tenth of the list's smallest frequency.
    """
    listed = np.array([frequencies.get(word, 0.0) for word in words])
    smallest = float(listed[listed > 0].min()) if np.any(listed > 0) else 1.0
    listed = np.where(listed > 0, listed, smallest / 10)
    special = np.zeros(FIRST_WORD)
    for stream in streams:
        counts = np.bincount(stream[stream < FIRST_WORD], minlength=FIRST_WORD)
        special += counts / max(1, len(stream) - counts[BOS]) / len(streams)
    special = np.maximum(special, 1e-6)
    special[BOS] = 0.0
    return np.concatenate([special, listed / listed.sum() * (1.0 - special.sum())])


def mix_sources(
    training: Mapping[str, IntArray],
    held_out: Mapping[str, IntArray],
    unigram: FloatArray,
    *,
    order: int,
    into: MixedModel,
    max_bytes: int = 1 << 30,
    work: Path | None = None,
) -> Iterator[BuildProgress]:
    """Estimate a model per source, one of all sources together, and mix them with the unigram list.

    The mixture is fitted for unfamiliar text: held-out text of source A is explained by the other
    sources alone (and by a model of all sources but A), so that what generalises gains weight, and a
    large but narrow source does not win by knowing itself. With fewer than `FEW` sources of held-out
    text, too few are left for that, and each source speaks on its own held-out text too. Level k
    is fitted on the tokens that no source's level k+1 explains.

    No n-gram is counted from the held-out text, so that it stays good for judging the pack.
    `max_bytes` and `work`: see `count_in_pieces`.
    """
    names = list(training)
    vocab_size = len(unigram)
    total = len(names) + len(held_out) + 1
    done = 0
    counts: dict[str, NgramCounts] = {}
    for name in names:
        yield BuildProgress("count", done, total, name)
        done += 1
        counts[name] = count_in_pieces(
            [training[name]],
            order=order,
            vocab_size=vocab_size,
            max_bytes=max_bytes,
            workers=os.cpu_count() or 1,
            work=work,
        )

    def source_of(parts: Sequence[NgramCounts]) -> MixtureSource:
        merged = parts[0] if len(parts) == 1 else merge_counts(parts)
        return MixtureSource.of(estimate(merged, base=unigram), merged)

    single = {name: source_of([counts[name]]) for name in names}
    listed = MixtureSource.unigram(unigram)
    evidence: list[list[Evidence]] = [[] for _ in range(order)]
    for name, stream in held_out.items():
        yield BuildProgress("fit", done, total, name)
        done += 1
        others = [other for other in names if other != name or len(held_out) < FEW]
        pooled = source_of([counts[other] for other in others])
        speaking = [*(single[other] for other in others), pooled, listed]
        usable = np.array([other in others for other in names] + [True, True])
        place = np.flatnonzero(usable)
        tokens = stream[stream != BOS]
        higher = np.zeros(len(tokens), dtype=bool)
        for level, (probs, bins, seen) in reversed(
            list(enumerate(source_evidence(speaking, stream, order=order)))
        ):
            full = np.zeros((len(tokens), len(usable)))
            full[:, place] = probs
            bin = np.zeros((len(tokens), len(usable)), dtype=np.uint8)
            bin[:, place] = bins
            weight = np.where(higher, 0.0, 1.0 / len(tokens))
            evidence[level].append(Evidence(full, bin, weight, usable))
            higher = seen
    mixture_weights = []
    for level in range(order):
        mixture_weight, course = fit_mixture_weights(evidence[level])
        mixture_weights.append(mixture_weight)
        if level == order - 1:
            into.held_out_perplexity = float(np.exp(-course[-1]))
    columns = [*names, "all together", "frequency list"]
    into.weights = [_shares(columns, mixture_weight) for mixture_weight in mixture_weights]
    del evidence

    yield BuildProgress("mix", done, total)
    pooled = source_of(list(counts.values()))
    into.model, into.mass = interpolate([*single.values(), pooled, listed], mixture_weights)
    yield BuildProgress("mix", total, total)


def _shares(columns: Sequence[str], mixture_weight: FloatArray) -> dict[str, tuple[float, float]]:
    share = mixture_weight / mixture_weight.sum(axis=0)
    return {name: (float(share[i, 0]), float(share[i, -1])) for i, name in enumerate(columns)}


def lexicon_log_probs(
    training: Mapping[str, IntArray],
    held_out: Mapping[str, IntArray],
    unigram: FloatArray,
) -> NDArray[np.float64]:
    """Natural log P(word) without context, summing to 1 over the lexicon.

    The relative frequencies of the sources and of the list are mixed with weights fitted in the same way
    as the word model's. (The word model's own order 1 is no such estimate: in Kneser-Ney smoothing it
    tells in how many contexts a word occurs.)
    """
    vocab_size = len(unigram)
    names = list(training)

    def words_only(stream: IntArray) -> FloatArray:
        found = np.bincount(stream, minlength=vocab_size)[FIRST_WORD:].astype(np.float64)
        share: FloatArray = found / max(1.0, found.sum())
        return share

    listed = unigram[FIRST_WORD:] / unigram[FIRST_WORD:].sum()
    tables = np.stack([*(words_only(training[name]) for name in names), listed])
    evidence = []
    for name, stream in held_out.items():
        tokens = stream[stream >= FIRST_WORD] - FIRST_WORD
        usable = np.array([other != name or len(held_out) < FEW for other in names] + [True])
        bins = np.zeros((len(tokens), len(usable)), dtype=np.uint8)
        weight = np.full(len(tokens), 1.0 / max(1, len(tokens)))
        evidence.append(Evidence(tables[:, tokens].T.copy(), bins, weight, usable))
    mixture_weight, _ = fit_mixture_weights(evidence)
    weights = mixture_weight[:, 0] / mixture_weight[:, 0].sum()
    mixed: FloatArray = np.log(weights @ tables)
    return mixed
