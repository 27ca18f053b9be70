"""Decoders that every comparison holds: each leaves one thing out, or does the work the slow way."""

from __future__ import annotations

from typing import Any

import numpy as np

from nearkey.decode import Decoder, LanguagePack, TouchModel
from nearkey.decode.exhaustive import Exhaustive
from nearkey.decode.spelling import spell_words
from nearkey.errors import NearkeyError
from nearkey.extras import library
from nearkey.layout import Layout
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.decoders.own import OwnDecoder
from nearkey.simulate.decoders.protocol import Answers, BatchDecodes, Queries

BASELINES = {
    "nearest key": "the first letter of the nearest key of every touch; no language",
    "frequency only": "the most frequent words with as many letters as touches; no look at where they are",
    "no touch model": "which key was hit and how often keys are missed, nothing of where on it; context",
    "no language": "the touch model alone, all words alike",
    "no context": "touch model and word frequencies",
    "spelling correction": "least edit distance of the nearest keys to a word's keys, then frequency",
    "exhaustive": "every word of the length scored in numpy: the optimum our search must reach",
}
"""Names and what each is."""


def _nearest_letter_key(layout: Layout, points: Floats) -> Ints:
    """The nearest key that carries letters, by position among all keys."""
    keys = np.asarray([layout.key_index(key.id) for key in layout.letter_keys])
    gap = np.abs(points[:, None, :] - layout.centers[keys]) - layout.sizes[keys] / 2
    outside = (np.maximum(gap, 0.0) ** 2).sum(axis=2)
    centre = ((points[:, None, :] - layout.centers[keys]) ** 2).sum(axis=2)
    best = np.lexsort((centre, outside), axis=1)[:, 0]
    return np.asarray(keys[best], dtype=np.int64)


class NearestKeyDecoder:
    """Reads each touch as the nearest key's first letter."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout

    def answer(self, queries: Queries, k: int) -> Answers:
        """One text for each question."""
        letters = np.asarray([key.letters[:1] for key in self._layout.keys])
        typed = letters[_nearest_letter_key(self._layout, queries.points)]
        texts = ["".join(part) for part in np.split(typed, queries.offsets[1:-1].astype(np.int64))]
        words, place = np.unique(texts, return_inverse=True)
        index = np.full((len(queries), k), -1, dtype=np.int64)
        index[:, 0] = place
        return Answers(words.tolist(), index)


class FrequencyOnly:
    """Offers the most frequent words of the right number of letters, whatever was touched."""

    def __init__(self, layout: Layout, pack: LanguagePack) -> None:
        self._words = pack.lexicon.words
        self._log_probs = np.asarray(pack.lexicon.log_probs, dtype=np.float64)
        spelling = spell_words(self._words, "".join(sorted(layout.letters)))
        lengths = np.diff(spelling.offsets.astype(np.int64))
        self._of_length = {
            int(n): np.unique(spelling.word[lengths == n]).astype(np.int64)
            for n in np.unique(lengths)
        }

    def answer(self, queries: Queries, k: int) -> Answers:
        """The same list for all words of one length."""
        n = len(queries)
        index = np.full((n, k), -1, dtype=np.int64)
        log_probs, log_total = np.full((n, k), -np.inf), np.zeros(n)
        lengths = np.diff(queries.offsets.astype(np.int64))
        for length in np.unique(lengths):
            words = self._of_length.get(int(length))
            if words is None:
                continue
            score = self._log_probs[words]
            best = np.argsort(-score, kind="stable")[:k]
            at = lengths == length
            index[at, : len(best)] = words[best]
            log_probs[at, : len(best)] = score[best]
            log_total[at] = np.logaddexp.reduce(score)
        return Answers(self._words, index, log_probs, log_total)


class KeyCodeTouch:
    """A touch model that knows only which key was hit, and how often the hit key is not the one meant.

    All other keys are then equally likely. The rate is that of the full model's own touches.
    """

    def __init__(self, layout: Layout, touch: Any, *, seed: int = 0, draws: int = 200) -> None:
        self._layout = layout
        self.key_ids: tuple[str, ...] = tuple(key.id for key in layout.letter_keys)
        self._position = np.asarray([layout.key_index(key) for key in self.key_ids])
        column = {key: i for i, key in enumerate(touch.key_ids)}
        meant = np.repeat([column[key] for key in self.key_ids], draws)
        points = touch.sample(meant, np.random.default_rng(seed))
        hit = _nearest_letter_key(layout, points)
        wrong = float((hit != np.repeat(self._position, draws)).mean())
        # One more touch of each kind than was seen: neither rate is ever taken to be 0.
        self.miss_rate = (wrong * len(meant) + 1) / (len(meant) + 2)

    def log_prob(self, points: Floats) -> Floats:
        """Natural log P(key hit | key meant), (n, n_keys)."""
        others = max(len(self.key_ids) - 1, 1)
        out = np.full((len(points), len(self.key_ids)), np.log(self.miss_rate / others))
        if len(points):
            hit = _nearest_letter_key(self._layout, points)
            out[hit[:, None] == self._position[None, :]] = np.log(1.0 - self.miss_rate)
        return out


class SpellingCorrection:
    """Corrects the keys hit to the words whose keys are the fewest edits away, the more frequent first."""

    def __init__(self, layout: Layout, pack: LanguagePack) -> None:
        needs = "the spelling-correction baseline needs rapidfuzz"
        library("rapidfuzz", extra="score", needs=needs)
        self._layout = layout
        self._words = pack.lexicon.words
        letters = "".join(sorted(layout.letters))
        spelling = spell_words(self._words, letters)
        key = np.asarray([layout.key_of_letter[c] for c in letters])
        codes = key[spelling.letters]
        starts = spelling.offsets.astype(np.int64)
        self._word = spelling.word.astype(np.int64)
        self._coded = [
            _coded(codes[a:b])
            for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)
        ]
        log_prob = np.asarray(pack.lexicon.log_probs, dtype=np.float64)[self._word]
        order = np.argsort(-log_prob, kind="stable")
        self._rank = np.empty(len(order))
        self._rank[order] = np.arange(len(order)) / len(order)

    def answer(self, queries: Queries, k: int) -> Answers:
        """Edit distances by rapidfuzz, in blocks that bound the memory."""
        from rapidfuzz.distance import Levenshtein
        from rapidfuzz.process import cdist

        hit = _nearest_letter_key(self._layout, queries.points)
        typed = [_coded(part) for part in np.split(hit, queries.offsets[1:-1].astype(np.int64))]
        index = np.full((len(queries), k), -1, dtype=np.int64)
        for start in range(0, len(typed), 64):
            block = typed[start : start + 64]
            distance = cdist(block, self._coded, scorer=Levenshtein.distance, dtype=np.uint8)
            for i, row in enumerate(distance):
                score = row + self._rank
                near = np.argpartition(score, min(2 * k, len(score) - 1))[: 2 * k]
                near = near[np.argsort(score[near], kind="stable")]
                words = list(dict.fromkeys(self._word[near].tolist()))[:k]
                index[start + i, : len(words)] = words
        return Answers(self._words, index)


def _coded(keys: Ints) -> str:
    return "".join(map(chr, (keys + 33).tolist()))


class ExhaustiveOptimum:
    """Every word of the length scored in numpy: what the kernel's search must equal."""

    def __init__(self, decoder: Decoder) -> None:
        self._slow = Exhaustive(decoder)
        self._words = decoder.pack.lexicon.words

    def answer(self, queries: Queries, k: int) -> Answers:
        """Answers one by one, with their times."""
        from time import perf_counter

        n = len(queries)
        index = np.full((n, k), -1, dtype=np.int64)
        log_probs, seconds = np.full((n, k), -np.inf), np.zeros(n)
        for i in queries.asked():
            state = None if queries.states is None else queries.states[i]
            start = perf_counter()
            words, score = self._slow.decode(queries.touches(i), state=state, k=k)
            seconds[i] = perf_counter() - start
            index[i, : len(words)] = words
            log_probs[i, : len(words)] = score
        return Answers(self._words, index, log_probs, seconds=seconds)


def baselines(
    decoder: Decoder, *, typist_touch: TouchModel | None = None
) -> dict[str, BatchDecodes | NearkeyError]:
    """All baselines to a decoder by name; where one cannot be made here, the error that says why.

    typist_touch : the model to take the rate of missed keys from, where the decoder's cannot be drawn from.
    """
    layout, pack = decoder.layout, decoder.pack
    codes = KeyCodeTouch(layout, typist_touch or decoder.touch)
    made: dict[str, BatchDecodes | NearkeyError] = {
        "nearest key": NearestKeyDecoder(layout),
        "frequency only": FrequencyOnly(layout, pack),
        "no touch model": OwnDecoder(decoder.with_layout(layout, codes)),
        "no language": OwnDecoder(Decoder(layout, decoder.touch, pack, lm_weight=0.0)),
        "no context": OwnDecoder(decoder, context=False),
    }
    try:
        made["spelling correction"] = SpellingCorrection(layout, pack)
    except NearkeyError as fault:
        made["spelling correction"] = fault
    made["exhaustive"] = ExhaustiveOptimum(decoder)
    return made
