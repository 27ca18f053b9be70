"""The live list with unfinished words, against every word scored by the definitions in `small_models`.

Its first is the best reading where unfinished words cost `completion_first`; its other places hold the best of
the rest where they cost `completion`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_models import (
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    best_alignment,
    ngram_log_prob,
    random_ngrams,
    row_layout,
)

from nearkey.decode import Decoder, EditCosts
from nearkey.decode.live import WINDOW

GROUPS = [["a", "b", "c", "é"], ["ab", "cé"], ["abcé"]]


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    groups=st.sampled_from(GROUPS),
    edits=st.dictionaries(
        st.sampled_from(["omitted", "extra", "swapped"]), st.floats(-6, -0.1), max_size=3
    ),
    completion=st.floats(-4, 0),
    completion_first=st.none() | st.floats(-9, 0),
    n=st.integers(1, 4),
    k=st.integers(1, 6),
)
def test_the_first_and_the_others(seed, groups, edits, completion, completion_first, n, k):
    rng = np.random.default_rng(seed)
    letters = list("".join(groups))
    words = sorted({"".join(rng.choice(letters, size=rng.integers(1, 6))) for _ in range(14)})
    ngrams = random_ngrams(rng, len(words), 2, 0.3)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(words))], np.float32)
    model = SmallTableModel(words, ngrams, 2)
    layout = row_layout(groups)
    decoder = Decoder(
        layout,
        PlainTouch(layout, 0.6),
        SmallPack(SmallLexicon(words, unigram), model),
        edits=EditCosts(**edits, completion=completion, completion_first=completion_first),
    )
    points = rng.uniform([0, 0], [layout.width, 1.0], size=(n, 2))
    state = model.advance(model.start(), words[0])
    density = PlainTouch(layout, 0.6).log_prob(points)

    def scores(costs):
        found = {}
        for i, word in enumerate(words):
            touch = best_alignment(density, [layout.key_of_letter[c] for c in word], costs)
            if touch > -math.inf:
                found[word] = touch + ngram_log_prob(ngrams, state, 3 + i, 2)
        return found

    listed = scores({**edits, "completion": completion})
    finished = dict(edits)
    if completion_first is not None:
        finished["completion"] = min(completion, completion_first)
    for_first = scores(finished) or listed
    found = decoder.candidates(points, context=state, k=k)
    if not listed:
        assert found == []
        return
    assert for_first[found[0].word] == pytest.approx(max(for_first.values()), abs=1e-9)
    others = [c.log_prob for c in found[1:]]
    assert others == sorted(others, reverse=True)
    best = max(listed.values())
    rest = sorted((s for w, s in listed.items() if w != found[0].word), reverse=True)
    shown = [s for s in rest if s > best - WINDOW][: k - 1]
    assert others == pytest.approx(shown, abs=1e-9)
    assert len({c.word for c in found}) == len(found) <= k
