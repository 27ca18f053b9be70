"""Judging a pack: is it whole, do its probabilities sum to 1, and how well does it, or a model, predict a text."""

from __future__ import annotations

import dataclasses
import os
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language.arrays import damaged
from nearkey.language.info import CONTEXT_FILE, HeldOut, read_info, verify_files
from nearkey.language.lexicon import Lexicon
from nearkey.language.models import MixedModel
from nearkey.language.pack import Pack, find_pack, load_pack
from nearkey.language.reading.streams import TextStream, encode_stream, read_stream
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, NUMBER, UNK, joins_marks, word_order
from nearkey.packs.backoff import BackoffModel, context_sums, walk
from nearkey.packs.context_part import mixture_scores
from nearkey.packs.quantise import read_table


@dataclass(frozen=True, slots=True)
class TextScore:
    """How a pack predicts a text.

    `perplexity` is over the lexicon's words, `perplexity_with_ends` also over numbers and sentence
    ends; unknown words are left out of both, and stand in contexts as ``<unk>``. `oov_rate` is their share of
    all words. `bits_per_letter` counts everything, unknown words by their spelling, divided by the letters:
    it compares packs whose lexicons differ.
    """

    words: int
    oov_rate: float
    perplexity: float
    perplexity_with_ends: float
    bits_per_letter: float = float("nan")


def _scored(stream: NDArray[Any], scores: NDArray[np.float64]) -> TextScore:
    """From the tokens of a text, each sentence from its ``<s>``, and their natural log probabilities."""
    words, unknown = stream >= FIRST_WORD, stream == UNK
    counted = ~unknown & (stream != BOS)
    return TextScore(
        int(words.sum()),
        float(unknown.sum()) / max(1, int(words.sum() + unknown.sum())),
        float(np.exp(-scores[words].mean())) if words.any() else float("nan"),
        float(np.exp(-scores[counted].mean())) if counted.any() else float("nan"),
    )


def _recorded(
    title: str, stream: NDArray[Any], scores: NDArray[np.float64], unknown: NDArray[np.float64]
) -> HeldOut:
    """The measures for ``pack.toml``; unknown : of each place of the stream, P(an unknown word stands there)."""
    found = _scored(stream, scores)
    spelled = (stream >= FIRST_WORD) | (stream == UNK)
    return HeldOut(
        title=title,
        words=found.words,
        oov_rate=round(found.oov_rate, 5),
        unknown_predicted=round(float(unknown[spelled].mean()) if spelled.any() else 0.0, 5),
        perplexity=round(found.perplexity, 1),
        perplexity_with_ends=round(found.perplexity_with_ends, 1),
    )


def held_out_record(model: BackoffModel, stream: NDArray[np.int64], title: str) -> HeldOut:
    """Measure a model on a stream of tokens, for ``pack.toml``; each sentence begins in the state ``<s>``."""
    unknown = np.exp(model.log_probs_at(walk(model.tree, stream), token=UNK)[-1])
    return _recorded(title, stream, model.score(stream), unknown)


def mixture_record(
    network: ContextModel,
    table: NgramTable,
    weights: Sequence[float],
    stream: NDArray[np.int64],
    title: str,
) -> HeldOut:
    """As `held_out_record`, of a context model's mixture with a table; also with the text before each sentence."""
    tokens = stream.astype(np.uint32)
    with ThreadPoolExecutor(2) as pool:  # the kernel's work runs beside
        alone, after = pool.map(
            lambda by_sentence: mixture_scores(
                network, table, tokens, weights, by_sentence=by_sentence
            ),
            (True, False),
        )
    with_text = round(_scored(stream, after[0]).perplexity, 1)
    return replace(_recorded(title, stream, *alone), perplexity_after_text=with_text)


def score_text(pack: Pack, lines: Iterable[str], *, with_text_before: bool = False) -> TextScore:
    """Score running text with a pack. Raises PackError if the text holds no word of the lexicon.

    with_text_before : a pack with a context model remembers earlier sentences, as it does when one types; else each
        sentence stands alone, as for packs without one.
    """
    text = read_stream(
        lines,
        deduplicate=False,
        abbreviations=frozenset(pack.info.abbreviations),
        combining=joins_marks(pack.alphabet),
    )
    return score_streams(pack, [text], with_text_before=with_text_before)


def score_streams(
    pack: Pack, texts: Sequence[TextStream], *, with_text_before: bool = False
) -> TextScore:
    """As `score_text`, of texts that were read by the rules of the pack."""
    model = pack.language_model
    streams = [encode_stream(text, model.token_ids) for text in texts]
    tokens = np.concatenate(streams).astype(np.uint32)
    if not (tokens >= FIRST_WORD).any():
        raise PackError("holds no word of the lexicon", where="text", fix="give running text")
    if isinstance(model, MixedModel):
        table, by_sentence = model.ngram.table, not with_text_before
        scores, _ = mixture_scores(
            model.network, table, tokens, model.weights, by_sentence=by_sentence
        )
    else:
        scores = np.zeros(len(tokens))
        scores[1:] = model.table.score(tokens, 1)[1 - len(tokens) :]
    total, letters = float(scores[tokens != BOS].sum()), 0
    for text in texts:
        uses = np.bincount(text.ids, minlength=len(text.surfaces)).tolist()
        for surface, count in zip(text.surfaces, uses, strict=True):
            if count and surface != NUMBER:
                letters += count * len(surface)
                if UNK in model.token_ids(surface):
                    total += count * pack.letter_model.log_prob(pack.lexicon.normalise(surface))
    bits = float(-total / np.log(2.0) / max(1, letters))
    return dataclasses.replace(_scored(tokens, scores), bits_per_letter=bits)


# ---- looking it through ----

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

    pack: str
    bytes: int
    words: int
    ngrams: list[int]
    load_ms: float
    contexts_summed: int
    sum_furthest_from_1: float
    context: dict[str, float] | None = None

    def summary(self) -> dict[str, Any]:
        """The figures to show, as plain values."""
        shown = {"pack": self.pack, "whole": True, **dataclasses.asdict(self)}
        return {name: value for name, value in shown.items() if value is not None}


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
        os.fspath(folder),
        info.n_bytes,
        len(pack.lexicon),
        info.ngrams,
        round(load_ms, 1),
        contexts,
        round(worst, 4),
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
