"""Looking a pack through: is it whole, and do its probabilities sum to 1."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.language.arrays import damaged
from nearkey.language.info import CONTEXT_FILE, read_info, verify_files
from nearkey.language.lexicon import Lexicon
from nearkey.language.mixed_model import MixedModel
from nearkey.language.pack import Pack, find_pack, load_pack
from nearkey.language.tokens import BOS, EOS, word_order
from nearkey.packs.backoff import context_sums
from nearkey.packs.quantise import read_table

SUM_TOLERANCE = 0.05
"""How far the probabilities after a context may be from 1: values of one byte are rounded.

The worst of the word contexts of the packs here is off by .015, of the letter contexts by .03.
"""


@dataclass(frozen=True, slots=True)
class PackInspection:
    """What `inspect_pack` measured.

    `context`: of a pack with a context model, its parameters, bytes, and the probabilities' sum after a sentence's
    start (``sum``) and after a short invented text (``sum_after_text``).
    """

    folder: Path
    bytes: int
    words: int
    ngrams: tuple[int, ...]
    load_ms: float
    contexts: int
    worst_sum: float
    context: dict[str, float] | None = None

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        return {
            "pack": os.fspath(self.folder),
            "whole": True,
            "bytes": self.bytes,
            "words": self.words,
            "ngrams": list(self.ngrams),
            "load_ms": round(self.load_ms, 1),
            "contexts_summed": self.contexts,
            "sum_furthest_from_1": round(self.worst_sum, 4),
            **({} if self.context is None else {"context": self.context}),
        }


def _check_words(lexicon: Lexicon, where: Path) -> None:
    words = lexicon.words
    for at, word in enumerate(words):
        if lexicon.index(word) != at:
            raise damaged(f"word {at} is found at {lexicon.index(word)}", where, "words")
        if not word.isprintable() or any(c.isspace() for c in word):
            raise damaged(f"word {at} holds white space or control characters", where, "words")
        if at and word_order(words[at - 1]) >= word_order(word):
            raise damaged(f"word {at} is out of order", where, "words")


def inspect_pack(name_or_path: str | os.PathLike[str]) -> PackInspection:
    """Check a pack through: every checksum (SHA-256 too), every table's shape; that its words stand in their
    order, each once and where the lexicon finds it, and are printable; and that the probabilities after every
    context of its tables sum to 1 within `SUM_TOLERANCE`.

    Raises PackError at the first fault.
    """
    folder = find_pack(name_or_path)
    info = read_info(folder)
    verify_files(folder, info, thorough=True)
    start = time.perf_counter()
    pack = load_pack(folder)
    load_ms = (time.perf_counter() - start) * 1000
    _check_words(pack.lexicon, folder / "words.bin")
    total = float(np.exp(pack.lexicon.log_probs.astype(np.float64)).sum())
    if not abs(total - 1.0) < 1e-3:
        raise damaged(f"word probabilities sum to {total:.4f}", folder, "words.bin")
    worst, contexts = 1.0, 0
    for name in ("words.ngram", "letters.ngram"):
        model = read_table(folder / name)
        for level, sums in enumerate(context_sums(model), start=1):
            at = int(np.argmax(np.abs(np.nan_to_num(sums, nan=np.inf) - 1.0)))
            if not abs(sums[at] - 1.0) <= SUM_TOLERANCE:
                context = model.tree.token_matrix(level)[at].tolist()
                problem = f"probabilities after {context} sum to {sums[at]:.4f}"
                raise damaged(problem, folder, name)
            contexts += len(sums)
            worst = float(sums[at]) if abs(sums[at] - 1.0) > abs(worst - 1.0) else worst
    return PackInspection(
        folder,
        info.n_bytes,
        len(pack.lexicon),
        tuple(info.ngrams),
        load_ms,
        contexts,
        worst,
        _inspect_context(pack),
    )


def _inspect_context(pack: Pack) -> dict[str, float] | None:
    """Does the network, whose numbers were checked as it was loaded, give probabilities?"""
    model = pack.language_model
    if not isinstance(model, MixedModel) or pack.info.context is None:
        return None
    first = pack.lexicon.words[:: max(1, len(pack.lexicon) // 8)]
    tokens = [BOS, *(model.ngram.token(word) for word in first), EOS, BOS]
    sums = []
    for read in ([BOS], tokens):
        found = model.network.log_probs(model.network.advance(b"", read)).astype(np.float64)
        sums.append(float(np.exp(found).sum()))
        if not abs(sums[-1] - 1.0) < 1e-3:
            problem = f"probabilities after tokens {read} sum to {sums[-1]:.4f}"
            raise damaged(problem, pack.folder, CONTEXT_FILE)
    return {
        "parameters": pack.info.context.parameters,
        "bytes": pack.info.files[CONTEXT_FILE].bytes,
        "sum": round(sums[0], 6),
        "sum_after_text": round(sums[1], 6),
    }
