"""The letter model: how unknown words are spelled."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from nearkey.language.models import FIRST_LETTER
from nearkey.language.ngram_file import fits_in
from nearkey.language.reading.streams import BUCKETS
from nearkey.language.tokens import BOS, EOS
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.interpolation import (
    MixtureSource,
    fit_mixture_weights,
    interpolate,
    source_evidence,
)
from nearkey.packs.ngram_counts import count_ngrams
from nearkey.packs.prune import prune_to_size

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
