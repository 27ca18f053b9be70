"""Marks after words on symbol keys, against every word with every mark, scored by the definition:

log p(touches | word) + log P(word | context) + log of the mean density of the last touch over the symbol keys that
stand for the mark + log of the mark's share among those on the key touched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
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
from nearkey.decode.live import WINDOW
from nearkey.layout import Key, Layout
from nearkey.touch import GaussianTouch

LISTED = ".,?!"
SIGMA = 0.6


@dataclass
class MarkingPack(SmallPack):
    marks: Any = None


@dataclass
class Marks:
    """Shares of their own for each word, all in the pack's table above a rare mark's."""

    shares: dict[str, np.ndarray[Any, Any]]

    def log_probs(self, word: str) -> dict[str, float]:
        row = self.shares[word]
        return dict(zip(["", *LISTED], np.log(row).tolist(), strict=True))


@st.composite
def written(draw) -> tuple[str, ...]:
    """The marks of two to four symbol keys, no mark on two of them; "" names none."""
    marks = draw(st.permutations([*LISTED, "'", "@", "-"]))
    n_keys = draw(st.integers(2, 4))
    cuts = sorted(draw(st.lists(st.integers(0, 7), min_size=n_keys, max_size=n_keys)))
    return tuple("".join(marks[a:b]) for a, b in zip([0, *cuts[:-1]], cuts, strict=True))


def layout_of(written: tuple[str, ...]) -> Layout:
    keys = [Key(f"k{i}", g, float(i), 1.0, 1.0, 1.0, g) for i, g in enumerate(["ab", "c", "d"])]
    keys += [
        Key(f"s{i}", f"s{i}", float(i), 0.0, 1.0, 1.0, w, "symbol") for i, w in enumerate(written)
    ]
    return Layout("pad", 1.0, 4.0, 2.0, tuple(keys), alphabet="abcd")


def mean(values: list[float]) -> float:
    return math.log(sum(map(math.exp, values)) / len(values))


@settings(max_examples=300, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    written=written(),
    in_kernel=st.booleans(),
    weight=st.sampled_from([0.7, 1.0]),
    n=st.integers(1, 4),
    k=st.integers(1, 6),
)
def test_the_list_holds_the_best_words_with_marks(seed, written, in_kernel, weight, n, k):
    rng = np.random.default_rng(seed)
    layout = layout_of(written)
    words = sorted({"".join(rng.choice(list("abcd'"), size=rng.integers(1, 6))) for _ in range(16)})
    words = [w for w in words if w.strip("'")]
    ngrams = random_ngrams(rng, len(words), 2, 0.3)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(words))], np.float32)
    model = SmallTableModel(words, ngrams, 2)
    marks = Marks({w: rng.dirichlet(np.ones(5)) * 0.99 + 0.002 for w in words})
    touch: Any = PlainTouch(layout, SIGMA)
    if in_kernel:
        touch = GaussianTouch.from_layout(layout, spread_mm=SIGMA, background=0.0)
    pack = MarkingPack(SmallLexicon(words, unigram), model, marks)
    decoder = Decoder(layout, touch, pack, lm_weight=weight)
    points = rng.uniform([0, 0.6], [4.0, 2.0], size=(n, 2))
    at = int(rng.integers(len(written)))
    last = layout.centers[3 + at] + rng.normal(0, 0.2, 2)
    points = np.vstack([points, [last]])
    state = model.advance(model.start(), words[0])
    density = PlainTouch(layout, SIGMA).log_prob(points)

    with_apostrophe = [3 + i for i, w in enumerate(written) if not w or "'" in w]

    def of_letter(row: int, letter: str) -> float:
        if letter == "'":
            return mean([float(density[row, c]) for c in with_apostrophe])
        return float(density[row, layout.key_of_letter[letter]])

    def of_word(word: str, touches: int) -> float:
        """The better of the word's spellings: apostrophes touched, where there is a key for them, and left out."""
        spellings = {word.replace("'", ""), *([word] if with_apostrophe else [])}
        fits = [s for s in spellings if len(s) == touches]
        return max((sum(of_letter(i, c) for i, c in enumerate(s)) for s in fits), default=-math.inf)

    symbols = density[n, 3:]
    if np.logaddexp.reduce(symbols) < density[n].max():
        return  # meant for a letter
    on_key = written[int(symbols.argmax())]
    plain, marked = {}, {}
    for i, word in enumerate(words):
        language = weight * ngram_log_prob(ngrams, state, 3 + i, 2)
        if (whole := of_word(word, n + 1)) > -math.inf:
            plain[word] = whole + language
        if (before := of_word(word, n)) == -math.inf:
            continue
        shares = dict(zip(LISTED, marks.shares[word][1:].tolist(), strict=True))
        offered = {m: shares.get(m, 1e-4) for m in on_key or LISTED}
        best = sorted(offered, key=lambda m: -offered[m])
        for mark in best if on_key else best[:3]:
            keys = [3 + i for i, w in enumerate(written) if not w or mark in w]
            total = before + language + mean([float(density[n, c]) for c in keys])
            total += weight * math.log(offered[mark] / sum(offered.values()))
            marked[word, mark] = (before + language, total)
    if marked:
        bar = max(score for score, _ in marked.values()) - WINDOW
        marked = {key: value for key, value in marked.items() if value[0] >= bar}
    texts = dict.fromkeys([*plain, *(w + m for w, m in marked)], -math.inf)
    if plain:
        bar = max(plain.values()) - WINDOW
        for word, score in plain.items():
            texts[word] = score if score >= bar else -math.inf
    for (word, mark), (_, score) in marked.items():
        texts[word + mark] = max(texts[word + mark], score)
    wanted = sorted((s for s in texts.values() if s > -math.inf), reverse=True)
    wanted = [s for s in wanted if s >= wanted[0] - WINDOW][:k]

    found = decoder.candidates(points, context=state, k=k)
    assert [c.log_prob for c in found] == pytest.approx(wanted, abs=1e-6)
    assert len({c.text for c in found}) == len(found)
    for c in found:
        assert c.log_prob == pytest.approx(texts[c.text], abs=1e-6)
        assert c.log_touch + c.log_language == pytest.approx(c.log_prob, abs=1e-9)
