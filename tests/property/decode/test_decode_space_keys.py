"""Sentences on a layout with a space key at each end, against every sequence of words, scored by the definition.

Whoever means a space takes either key alike: its density is the mean over them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_models import (
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    ngram_log_prob,
    random_ngrams,
)

from nearkey.decode import Decoder
from nearkey.layout import Key, Layout
from nearkey.touch import GaussianTouch

SIGMA = 0.6


@settings(max_examples=100, deadline=None)
@given(
    seed=st.integers(0, 10**6), in_kernel=st.booleans(), n=st.integers(1, 3), m=st.integers(1, 3)
)
def test_a_space_is_either_space_key(seed, in_kernel, n, m):
    """The best sentence by the definition, with room in the beam for all; the touch in the middle is on a space."""
    rng = np.random.default_rng(seed)
    keys = [Key(c, c, float(i + 1), 0.0, 1.0, 1.0, c) for i, c in enumerate("abc")]
    keys += [Key(f"s{x}", "", float(x), 0.0, 1.0, 1.0, "", "space") for x in (0, 4)]
    layout = Layout("pad", 1.0, 5.0, 1.0, tuple(keys), alphabet="abc")
    words = sorted({"".join(rng.choice(list("abc"), size=rng.integers(1, 4))) for _ in range(8)})
    ngrams = random_ngrams(rng, len(words), 2, 0.3)
    model = SmallTableModel(words, ngrams, 2)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(words))], np.float32)
    touch: Any = PlainTouch(layout, SIGMA)
    if in_kernel:
        touch = GaussianTouch.from_layout(layout, spread_mm=SIGMA, background=0.0)
    decoder = Decoder(layout, touch, SmallPack(SmallLexicon(words, unigram), model))
    points = rng.uniform([0, 0], [5.0, 1.0], size=(n + 1 + m, 2))
    points[n] = layout.centers[3 + int(rng.integers(2))] + rng.normal(0, 0.3, 2)
    density = PlainTouch(layout, SIGMA).log_prob(points)

    def of_word(word: str, first: int) -> float:
        return sum(float(density[first + i, layout.key_of_letter[c]]) for i, c in enumerate(word))

    best: dict[tuple[str, ...], float] = {}
    total = n + 1 + m

    def read(said: tuple[str, ...], state: Any, first: int, score: float) -> None:
        """Words with one space after each; after the last it may be left out."""
        for i, word in enumerate(words):
            end = first + len(word)
            if end > total:
                continue
            so_far = score + of_word(word, first) + ngram_log_prob(ngrams, state, 3 + i, 2)
            if end < total:
                so_far += math.log((math.exp(density[end, 3]) + math.exp(density[end, 4])) / 2)
            if end + 1 >= total:
                best[*said, word] = max(best.get((*said, word), -math.inf), so_far)
            else:
                read((*said, word), model.advance(state, word), end + 1, so_far)

    read((), model.start(), 0, 0.0)
    found = decoder.decode_sentence(
        points,
        context=model.start(),
        k=1,
        missing_space=-math.inf,
        width=500,
        words=50,
        beam_threshold=1e3,
    )
    if not best:
        assert found == []
        return
    assert found[0].log_prob == pytest.approx(max(best.values()), abs=1e-5)
    assert best[found[0].words] == pytest.approx(found[0].log_prob, abs=1e-5)
