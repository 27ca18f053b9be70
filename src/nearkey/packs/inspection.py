"""Looking at packs: are they whole, what do they hold, how do they compare."""

from __future__ import annotations

import os
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nearkey.errors import PackError
from nearkey.language.info import read_info, verify_files
from nearkey.language.pack import Pack, find_pack, load_pack
from nearkey.language.tokens import (
    BOS,
    EOS,
    FIRST_WORD,
    NUMBER,
    UNK,
    normalise_word,
    sentences,
)
from nearkey.packs.backoff import context_sums
from nearkey.packs.quantise import read_table

__all__ = ["PackInspection", "TextScore", "inspect_pack", "score_text"]

SUM_TOLERANCE = 0.05
"""How far the probabilities after a context may be from 1: values of one byte are rounded.

The worst of the word contexts of the packs here is off by .015, of the letter contexts by .03.
"""


@dataclass(frozen=True, slots=True)
class PackInspection:
    """What `inspect_pack` measured."""

    folder: Path
    bytes: int
    words: int
    ngrams: tuple[int, ...]
    load_ms: float
    contexts: int
    worst_sum: float


def inspect_pack(name_or_path: str | os.PathLike[str]) -> PackInspection:
    """Check a pack through: every checksum (SHA-256 too), every table's shape, and that the
    probabilities after every context of its tables sum to 1 within `SUM_TOLERANCE`.

    Raises PackError at the first fault.
    """
    folder = find_pack(name_or_path)
    info = read_info(folder)
    verify_files(folder, info, thorough=True)
    start = time.perf_counter()
    pack = load_pack(folder)
    load_ms = (time.perf_counter() - start) * 1000
    where = os.fspath(folder)
    total = float(np.exp(pack.lexicon.log_probs.astype(np.float64)).sum())
    if not abs(total - 1.0) < 1e-3:
        raise PackError(
            f"word probabilities sum to {total:.4f}",
            where=where,
            field="words.bin",
            fix="rebuild it",
        )
    worst, contexts = 1.0, 0
    for name in ("words.ngram", "letters.ngram"):
        model = read_table(folder / name)
        for level, sums in enumerate(context_sums(model), start=1):
            at = int(np.argmax(np.abs(np.nan_to_num(sums, nan=np.inf) - 1.0)))
            if not abs(sums[at] - 1.0) <= SUM_TOLERANCE:
                context = model.tree.token_matrix(level)[at].tolist()
                raise PackError(
                    f"probabilities after {context} sum to {sums[at]:.4f}",
                    where=where,
                    field=name,
                    fix="rebuild the pack",
                )
            contexts += len(sums)
            worst = float(sums[at]) if abs(sums[at] - 1.0) > abs(worst - 1.0) else worst
    return PackInspection(
        folder,
        sum(record.bytes for record in info.files.values()),
        len(pack.lexicon),
        tuple(info.ngrams),
        load_ms,
        contexts,
        worst,
    )


@dataclass(frozen=True, slots=True)
class TextScore:
    """How a pack predicts a text.

    `perplexity` is over the lexicon's words, `perplexity_with_ends` also over numbers and sentence
    ends; unknown words are left out of both. `bits_per_letter` counts everything, unknown words by
    their spelling, divided by the letters: it compares packs whose lexicons differ.
    """

    words: int
    oov_rate: float
    perplexity: float
    perplexity_with_ends: float
    bits_per_letter: float


def score_text(pack: Pack, lines: Iterable[str]) -> TextScore:
    """Score running text with a pack. Raises PackError if the text holds no word of the lexicon."""
    lexicon, model = pack.lexicon, pack.language_model
    fold = lexicon.fold_accents
    known: dict[str, list[int]] = {}
    stream: list[int] = []
    letters = 0
    spelled = 0.0
    for sentence in sentences(lines, abbreviations=frozenset(pack.info.abbreviations)):
        stream.append(BOS)
        for surface in sentence.words:
            tokens = known.get(surface)
            if tokens is None:
                tokens = known[surface] = model.token_ids(surface)
            stream += tokens
            if surface != NUMBER:
                letters += len(surface)
            if UNK in tokens:
                spelled += pack.letter_model.log_prob(normalise_word(surface, fold=fold))
        stream.append(EOS)
    tokens_array = np.array(stream, dtype=np.uint32)
    words = tokens_array >= FIRST_WORD
    if not words.any():
        raise PackError("holds no word of the lexicon", where="text", fix="give running text")
    scores = np.zeros(len(stream))
    scores[1:] = model.table.score(tokens_array, 1)[-(len(stream) - 1) :]
    predicted = tokens_array != BOS
    counted = predicted & (tokens_array != UNK)
    n_unknown = int((tokens_array == UNK).sum())
    total = float(scores[predicted].sum()) + spelled
    return TextScore(
        int(words.sum()),
        n_unknown / (int(words.sum()) + n_unknown),
        float(np.exp(-scores[words].mean())),
        float(np.exp(-scores[counted].mean())),
        float(-total / np.log(2.0) / max(1, letters)),
    )
