"""How well a model or a pack predicts a text: perplexity, unknown words, bits per letter."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language.info import HeldOut
from nearkey.language.mixed_model import MixedModel
from nearkey.language.pack import Pack
from nearkey.language.tokens import BOS, EOS, FIRST_WORD, NUMBER, UNK, joins_marks, sentences
from nearkey.packs.backoff import BackoffModel, walk
from nearkey.packs.context_part import mixture_scores


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


def held_out_record(model: BackoffModel, stream: NDArray[np.int64], title: str) -> HeldOut:
    """Measure a model on a stream of tokens, for ``pack.toml``; each sentence begins in the state ``<s>``."""
    found = _scored(stream, model.score(stream))
    spelled = (stream >= FIRST_WORD) | (stream == UNK)
    unknown = np.exp(model.log_probs_at(walk(model.tree, stream), token=UNK)[-1])
    return HeldOut(
        title=title,
        words=found.words,
        oov_rate=round(found.oov_rate, 5),
        unknown_predicted=round(float(np.mean(unknown[spelled])) if spelled.any() else 0.0, 5),
        perplexity=round(found.perplexity, 1),
        perplexity_with_ends=round(found.perplexity_with_ends, 1),
    )


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
        (alone, unknown), (after, _) = pool.map(
            lambda by_sentence: mixture_scores(
                network, table, tokens, weights, by_sentence=by_sentence
            ),
            (True, False),
        )
    found, with_text = (_scored(stream, np.insert(scores, 0, 0.0)) for scores in (alone, after))
    spelled = ((stream >= FIRST_WORD) | (stream == UNK))[1:]
    return HeldOut(
        title=title,
        words=found.words,
        oov_rate=round(found.oov_rate, 5),
        unknown_predicted=round(float(unknown[spelled].mean()) if spelled.any() else 0.0, 5),
        perplexity=round(found.perplexity, 1),
        perplexity_with_ends=round(found.perplexity_with_ends, 1),
        perplexity_after_text=round(with_text.perplexity, 1),
    )


def score_text(pack: Pack, lines: Iterable[str], *, with_text_before: bool = False) -> TextScore:
    """Score running text with a pack. Raises PackError if the text holds no word of the lexicon.

    with_text_before : a pack with a context model remembers earlier sentences, as it does when one types; else each
        sentence stands alone, as for packs without one.
    """
    lexicon, model = pack.lexicon, pack.language_model
    known: dict[str, list[int]] = {}
    stream: list[int] = []
    letters = 0
    spelled = 0.0
    for sentence in sentences(
        lines,
        abbreviations=frozenset(pack.info.abbreviations),
        combining=joins_marks(pack.alphabet),
    ):
        stream.append(BOS)
        for surface in sentence.words:
            tokens = known.get(surface)
            if tokens is None:
                tokens = known[surface] = model.token_ids(surface)
            stream += tokens
            if surface != NUMBER:
                letters += len(surface)
            if UNK in tokens:
                spelled += pack.letter_model.log_prob(lexicon.normalise(surface))
        stream.append(EOS)
    tokens_array = np.array(stream, dtype=np.uint32)
    if not (tokens_array >= FIRST_WORD).any():
        raise PackError("holds no word of the lexicon", where="text", fix="give running text")
    scores = np.zeros(len(stream))
    if isinstance(model, MixedModel):
        table, by_sentence = model.ngram.table, not with_text_before
        scores[1:], _ = mixture_scores(
            model.network, table, tokens_array, model.weights, by_sentence=by_sentence
        )
    else:
        scores[1:] = model.table.score(tokens_array, 1)[-(len(stream) - 1) :]
    total = float(scores[tokens_array != BOS].sum()) + spelled
    bits = float(-total / np.log(2.0) / max(1, letters))
    return replace(_scored(tokens_array, scores), bits_per_letter=bits)
