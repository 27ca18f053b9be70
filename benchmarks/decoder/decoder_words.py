"""Words, touches and contexts that every decoder benchmark shares; seeded."""

from __future__ import annotations

import gzip
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import nearkey as nk
from nearkey.simulate import Typist, corpus_sample, unigram_sample

SPREAD = 0.45
"""Standard deviation of a touch as a share of the key's size, each axis."""


@dataclass(frozen=True)
class TouchedWords:
    """Words with their touches; `states` are the language model's before each word, or None."""

    layout: nk.Layout
    touch: nk.GaussianTouch
    index: NDArray[np.int64]
    points: NDArray[np.float64]
    offsets: NDArray[np.uint32]
    states: tuple[tuple[int, ...], ...] | None
    source: str

    def word_points(self) -> list[NDArray[np.float64]]:
        return np.split(self.points, self.offsets[1:-1].astype(np.int64))

    def accuracy(self, found: list[list[int]] | NDArray[np.int32], k: int) -> float:
        """Share of words among the first k answers."""
        return float(np.mean([w in list(f[:k]) for w, f in zip(self.index, found, strict=True)]))


def held_out_lines() -> list[str] | None:
    """Lines of the evaluation text (Universal Dependencies English EWT, CC BY-SA 4.0) where NEARKEY_DATA has it."""
    folder = os.environ.get("NEARKEY_DATA")
    path = Path(folder or "", "text", "en_ewt_eval.txt.gz")
    if folder is None or not path.exists():
        return None
    with gzip.open(path, "rt", encoding="utf-8") as file:
        return [line.strip() for line in file if line.strip()]


def workload(
    pack: nk.language.Pack,
    *,
    words: int,
    seed: int,
    layout: nk.Layout | None = None,
    spread: float = SPREAD,
    context: bool = False,
    background: float = 0.01,
) -> TouchedWords:
    """Words drawn by frequency, or running words of the evaluation text with their contexts."""
    layout = layout or nk.Layout.named("qwerty")
    touch = nk.GaussianTouch.from_layout(layout, spread=spread, background=background)
    rng = np.random.default_rng(seed)
    lines = held_out_lines() if context else None
    if context and lines is None:
        raise SystemExit("set NEARKEY_DATA to the folder with text/en_ewt_eval.txt.gz")
    if lines is not None:
        sample = corpus_sample(pack, lines, words, rng=rng, context=True, letters=layout.letters)
    else:
        sample = unigram_sample(pack, words, rng=rng, letters=layout.letters)
    typing = Typist(layout, touch, pack).type(sample.index, rng)
    source = "running words of en_ewt_eval" if context else "words drawn by frequency"
    return TouchedWords(
        layout, touch, sample.index, typing.points, typing.offsets, sample.states, source
    )
