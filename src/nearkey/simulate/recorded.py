"""Words made of recorded touches: how a touch model decodes a person it was not fitted on."""

from __future__ import annotations

import numpy as np

from nearkey.decode import Decoder, LanguagePack, TouchModel
from nearkey.decode.spelling import spell
from nearkey.errors import TouchDataError
from nearkey.layout import Layout
from nearkey.simulate.words import unigram_sample
from nearkey.touch import TouchLog

__all__ = ["RecordedWords"]


class RecordedWords:
    """Decodes words whose letters are touches a person made for those keys.

    Called with a touch model and a log, it draws words of the pack by frequency, takes for each letter one of
    the log's touches for its key at random, decodes without context, and gives (words right first, words).
    Words with a letter whose key the log never targets are passed over. The touches of a word were not made
    in that order: this judges a model's densities, not how people type words.

    Parameters
    ----------
    layout : the keys. pack : the words. words : how many to draw for each log. seed : of words and touches;
        every model gets the same ones.
    """

    def __init__(
        self, layout: Layout, pack: LanguagePack, *, words: int = 200, seed: int = 0
    ) -> None:
        self._layout = layout
        self._pack = pack
        self._words = words
        self._seed = seed
        self._decoder: Decoder | None = None

    def __call__(self, model: TouchModel, log: TouchLog) -> tuple[int, int]:
        layout = self._layout
        log = log.in_units_of(layout)
        touches: dict[int, list[int]] = {}
        for row, target in enumerate(log.target):
            key = (
                layout.key_index(target)
                if target in layout.key_ids
                else layout.key_of_letter.get(target.lower())
            )
            if key is not None:
                touches.setdefault(key, []).append(row)
        if not touches:
            raise TouchDataError(
                "holds no touch for a letter of the layout", field="target", fix="check the layout"
            )
        rng = np.random.default_rng(self._seed)
        sample = unigram_sample(self._pack, self._words, rng=rng, letters=layout.letters)
        if self._decoder is None:
            self._decoder = Decoder(layout, model, self._pack)
        decoder = self._decoder.with_layout(layout, model)
        points, offsets, index = [], [0], []
        for word in sample.index:
            typed = spell(self._pack.lexicon.words[word], layout.letters) or ""
            keys = [layout.key_of_letter[c] for c in typed]
            if not all(key in touches for key in keys):
                continue
            points += [log.points[touches[key][rng.integers(len(touches[key]))]] for key in keys]
            offsets.append(len(points))
            index.append(int(word))
        if not index:
            return 0, 0
        found, _ = decoder.decode_batch(np.asarray(points), offsets, k=1)
        return int((found[:, 0] == index).sum()), len(index)
