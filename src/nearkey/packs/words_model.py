"""The word model: one model per source, mixed for text of a kind that none of them is.

And the letter model, of how unknown words are spelled.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearkey.language.mapped_files import fits_in
from nearkey.language.models import FIRST_LETTER
from nearkey.language.reading.streams import BUCKETS
from nearkey.language.tokens import BOS, EOS, FIRST_WORD
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import BackoffModel, FloatArray, prune_to_size
from nearkey.packs.interpolation import (
    Evidence,
    MixtureSource,
    fit_fixed_weights,
    fit_mixture_weights,
    interpolate,
    source_evidence,
)
from nearkey.packs.ngram_counts import (
    NgramCounts,
    count_in_pieces,
    count_ngrams,
    merge_counts,
)
from nearkey.packs.tree import IntArray

FEW = 3
"""With fewer sources of held-out text, none is left out when its own text is explained."""


@dataclass(frozen=True, slots=True)
class MixedSources:
    """What `mix_sources` makes.

    `mass` are the context weights for pruning; `weights[k-1]` maps a source's name to its share at
    level k for contexts it has not seen and for the most frequent ones; `held_out_perplexity` is that of
    the fitted mixture on held-out text without the source that the text was taken from.
    """

    model: BackoffModel
    mass: Sequence[FloatArray]
    weights: Sequence[Mapping[str, tuple[float, float]]]
    held_out_perplexity: float


def list_unigram(
    frequencies: Mapping[str, float],
    words: Sequence[str],
    streams: Sequence[IntArray],
    unmet: tuple[NDArray[np.bool_], float] | None = None,
) -> FloatArray:
    """A unigram distribution over all tokens, ``(vocab_size,)``, from a frequency list.

    frequencies : relative frequency by word. words : the lexicon. streams : the tokens of the running text.
    unmet : which words the text lacks, `(n_words,)`, and how much of a word each counts (see `unmet_weight`).
    The shares of ``<unk>``, ``</s>`` and ``<num>`` are those of the running text. A word that the list
    lacks gets a tenth of the list's smallest frequency. Without a frequency list all words share alike, but for those
    unmet.
    """
    listed = np.array([frequencies.get(word, 0.0) for word in words])
    if np.any(listed > 0):
        listed = np.where(listed > 0, listed, float(listed[listed > 0].min()) / 10)
    else:
        listed = np.ones(len(words)) if unmet is None else np.where(unmet[0], unmet[1], 1.0)
    special = np.zeros(FIRST_WORD)
    for stream in streams:
        counts = np.bincount(stream[stream < FIRST_WORD], minlength=FIRST_WORD)
        special += counts / max(1, len(stream) - counts[BOS]) / len(streams)
    special = np.maximum(special, 1e-6)
    special[BOS] = 0.0
    return np.concatenate([special, listed / listed.sum() * (1.0 - special.sum())])


def unmet_weight(counts: FloatArray, held_out: FloatArray, listed: NDArray[np.bool_]) -> float:
    """How much of a word a listed word never met counts, up to 1, where words share alike: likeliest on held-out text.

    counts, held_out : of each word of the lexicon, in the text to learn from and in other text. listed : whether a
    spelling list has it; another word that only the held-out text has would not be there without it, and says nothing.

    A word met c times has (c - d) / N, and alike with the others met a part of the mass freed, d n / N, of N words of
    which n differ; d is absolute discounting's usual n1 / (n1 + 2 n2) (H. Ney, U. Essen, R. Kneser, Computer Speech and
    Language 1994); the rest of the mass freed is for those never met. Found by expectation maximisation, from half a
    word of either kind: words of a list that new text does not bear out get next to nothing, so that it cannot hurt.
    """
    met = counts > 0
    once, twice = int((counts == 1).sum()), int((counts == 2).sum())
    discount = (once + 0.5) / (once + 2 * twice + 1.0)
    unmet = float(held_out[~met & listed].sum())
    share = 0.5
    for _ in range(100):
        alike = discount * (1.0 - share)  # of each word met: the n of them cancel
        freed = float((held_out[met] * alike / (counts[met] - discount + alike)).sum())
        share = (unmet + 0.5) / (unmet + freed + 1.0)
    n_met, n_unmet = int(met.sum()), int((~met & listed).sum())
    return min(1.0, share * n_met / max((1.0 - share) * n_unmet, 1e-9))


def mix_sources(
    training: Mapping[str, IntArray],
    held_out: Mapping[str, IntArray],
    unigram: FloatArray,
    *,
    order: int,
    max_bytes: int = 1 << 30,
    work: Path | None = None,
) -> Generator[BuildProgress, None, MixedSources]:
    """Estimate a model per source, one of all sources together, and mix them with the unigram list.

    The mixture is fitted for unfamiliar text: held-out text of source A is explained by the other
    sources alone (and by a model of all sources but A), so that what generalises gains weight, and a
    large but narrow source does not win by knowing itself. With fewer than `FEW` sources of held-out
    text, too few are left for that, and each source speaks on its own held-out text too. Level k
    is fitted on the tokens that no source's level k+1 explains.

    No n-gram is counted from the held-out text, so that it stays good for judging the pack.

    Parameters
    ----------
    training, held_out : streams of tokens by source (see `streams.encode_stream`).
    unigram : the list's probabilities ``(vocab_size,)`` (see `list_unigram`).
    order : of the model.
    max_bytes, work : see `count_in_pieces`.
    """
    names = list(training)
    vocab_size = len(unigram)
    total = len(names) + len(held_out) + 1
    counts: dict[str, NgramCounts] = {}
    for done, name in enumerate(names):
        yield BuildProgress("count", done, total, name)
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
        return MixtureSource.of(merged, base=unigram)

    single = {name: source_of([counts[name]]) for name in names}
    listed = MixtureSource.unigram(unigram)
    evidence: list[list[Evidence]] = [[] for _ in range(order)]
    for done, (name, stream) in enumerate(held_out.items(), start=len(names)):
        yield BuildProgress("fit", done, total, name)
        others = [other for other in names if other != name or len(held_out) < FEW]
        pooled = source_of([counts[other] for other in others])
        speaking = [*(single[other] for other in others), pooled, listed]
        columns = [place for place, other in enumerate(names) if other in others]
        columns += [len(names), len(names) + 1]
        parts, explicit = source_evidence(speaking, stream, order=order, columns=columns)
        explained = np.zeros_like(explicit[0])
        for level in reversed(range(order)):
            evidence[level].append(parts[level].where(~explained))
            explained = explicit[level]
    fitted = [fit_mixture_weights(level) for level in evidence]
    mixture_weights = [weights for weights, _ in fitted]
    del evidence

    yield BuildProgress("mix", total - 1, total)
    pooled = source_of(list(counts.values()))
    model, mass = interpolate([*single.values(), pooled, listed], mixture_weights)
    yield BuildProgress("mix", total, total)
    sources = [*names, "all together", "frequency list"]
    shares = [
        {name: (float(share[i, 0]), float(share[i, -1])) for i, name in enumerate(sources)}
        for share in (level / level.sum(axis=0) for level in mixture_weights)
    ]
    return MixedSources(model, mass, shares, float(np.exp(-fitted[-1][1][-1])))


def lexicon_log_probs(
    training: Mapping[str, IntArray],
    held_out: Mapping[str, IntArray],
    unigram: FloatArray,
) -> NDArray[np.float64]:
    """Natural log P(word) without context, summing to 1 over the lexicon.

    The relative frequencies of the sources and of the list are mixed with weights fitted in the same way
    as the word model's. (The word model's own order 1 is no such estimate: in Kneser-Ney smoothing it
    says in how many contexts a word occurs.)
    """
    n_words = len(unigram) - FIRST_WORD
    listed = unigram[FIRST_WORD:] / unigram[FIRST_WORD:].sum()
    tables = np.stack([*(word_shares(stream, n_words) for stream in training.values()), listed])
    texts = []
    for name, stream in held_out.items():
        columns = [i for i, other in enumerate(training) if other != name or len(held_out) < FEW]
        words = stream[stream >= FIRST_WORD] - FIRST_WORD
        texts.append((words, [*columns, len(training)], 1.0))
    weights = fit_fixed_weights(tables, texts)
    mixed: FloatArray = np.log(weights / weights.sum() @ tables)
    return mixed


def word_shares(stream: IntArray, n_words: int) -> FloatArray:
    """Relative frequency of each of the lexicon's words among those of `stream`, ``(n_words,)``."""
    counts = np.bincount(stream, minlength=n_words + FIRST_WORD)[FIRST_WORD:]
    shares: FloatArray = counts / max(1, counts.sum())
    return shares


# ---- the letter model ----

HELD_OUT_FRACTION = 0.1
HELD_OUT_WORDS = 4000


def spell_stream(words: Iterable[str], symbols: str) -> NDArray[np.int64]:
    """Words as a stream of letter tokens, ``<s>`` and ``</s>`` around each; words with other symbols
    are left out."""
    token = {symbol: FIRST_LETTER + i for i, symbol in enumerate(symbols)}
    allowed = frozenset(symbols)
    stream: list[int] = []
    for word in words:
        if word and allowed.issuperset(word):
            stream.append(BOS)
            stream.extend(token[letter] for letter in word)
            stream.append(EOS)
    return np.array(stream, dtype=np.int64)


def estimate_letters(
    lexicon: Sequence[str],
    listed: Sequence[str],
    unknown: Sequence[str],
    symbols: str,
    *,
    order: int,
    max_bytes: int,
) -> tuple[BackoffModel, float]:
    """The letter model, and its bits per letter on held-out unknown words.

    Each distinct word counts once, since unknown words are rare ones. Three models are mixed: of the
    lexicon, of the frequency list's words outside it, and of the running text's words outside it. A
    tenth of the last is held out to fit the mixture, and takes part in the final estimate.
    """
    vocab_size = FIRST_LETTER + len(symbols)
    held = [
        word
        for word in unknown
        if zlib.crc32(word.encode()) % BUCKETS < BUCKETS * HELD_OUT_FRACTION
    ]
    kept = sorted(set(unknown) - set(held))
    streams = [spell_stream(words, symbols) for words in (lexicon, listed, kept)]
    final = [*streams[:2], spell_stream(unknown, symbols)]
    test = spell_stream(
        sorted(held, key=lambda word: zlib.crc32(word.encode()))[:HELD_OUT_WORDS], symbols
    )
    present = [i for i in range(3) if len(streams[i])]
    if not len(test):
        model = _source(streams[0], order, vocab_size).model
        return model, float("nan")
    sources = [_source(streams[i], order, vocab_size) for i in present]
    evidence, _ = source_evidence(
        sources, test, order=order, total_weight=float(np.sum(test != BOS))
    )
    mixture_weights = [fit_mixture_weights([level])[0] for level in evidence]
    mixed, _ = interpolate(sources, mixture_weights)
    bits = -float(np.mean(mixed.score(test)[test != BOS])) / float(np.log(2.0))
    sources = [_source(final[i], order, vocab_size) for i in present]
    model, mass = interpolate(sources, mixture_weights)
    return prune_to_size(model, mass, fits=fits_in(max_bytes))[0], bits


def _source(stream: NDArray[np.int64], order: int, vocab_size: int) -> MixtureSource:
    return MixtureSource.of(count_ngrams(stream, order=order, vocab_size=vocab_size))
