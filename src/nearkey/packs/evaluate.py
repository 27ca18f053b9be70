"""How well a model or a pack predicts a text: perplexity, unknown words, bits per letter."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from nearkey._kernel import ContextModel, NgramTable
from nearkey.errors import PackError
from nearkey.language.info import HeldOut
from nearkey.language.mixed_model import MixedModel
from nearkey.language.pack import Pack
from nearkey.language.reading.streams import TextStream, encode_stream, read_stream
from nearkey.language.tokens import BOS, FIRST_WORD, NUMBER, UNK, joins_marks
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
