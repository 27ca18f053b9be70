"""Words, touches and contexts that every decoder benchmark shares; seeded."""

from __future__ import annotations

import gzip
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import nearkey as nk
from nearkey.language.models import MixedModel
from nearkey.simulate import Corpus, make_workload
from nearkey.simulate.trial import type_workload

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
    lines = held_out_lines() if context else None
    if context and lines is None:
        raise SystemExit("set NEARKEY_DATA to the folder with text/en_ewt_eval.txt.gz")
    chosen = make_workload(
        pack,
        None if lines is None else Corpus.of("en_ewt_eval", lines),
        words=words,
        seed=seed,
        letters=layout.letters,
        in_context=context,
        known_only=True,
    )
    queries = type_workload(layout, touch, chosen, seed=seed).queries
    source = "running words of en_ewt_eval" if context else "words drawn by frequency"
    return TouchedWords(
        layout, touch, chosen.index, queries.points, queries.offsets, queries.states, source
    )


def keep_vectors(pack: nk.language.Pack, states: int) -> None:
    """Let a pack with a context model keep what it says after so many states, 0.26 MB each: texts come on many layouts."""
    if isinstance(pack.language_model, MixedModel):
        pack.language_model.keep_vectors(states)


def demo_pad() -> nk.Layout:
    """The grid of 2 x 3 that examples/demo.py ranks first of its shape, on the demo's pad."""
    base = nk.Layout.named("qwerty")
    grids = nk.grid_layouts(base, rows=2, columns=3, width_mm=18, height_mm=12)
    return next(grid for grid in grids if grid.name == "qwerty-2x3-s14")
