"""Words, touches and contexts that every decoder benchmark shares; seeded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from harness import needed_lines
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

    def each(self, state: Any = None) -> list[tuple[NDArray[np.float64], Any]]:
        """Touches of each word and the state before it; `state` where words have none."""
        states = self.states or [state] * len(self.index)
        return list(zip(self.word_points(), states, strict=True))

    def batch(self, decoder: nk.Decoder, *, k: int, **how: Any) -> Any:
        """Words and scores of `decode_batch`, after the states."""
        return decoder.decode_batch(
            self.points, self.offsets, **{"contexts": self.states, "k": k, **how}
        )

    def accuracy(self, found: list[list[int]] | NDArray[np.int32], k: int) -> float:
        """Share of words among the first k answers."""
        return float(np.mean([w in list(f[:k]) for w, f in zip(self.index, found, strict=True)]))


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
    chosen = make_workload(
        pack,
        Corpus.of("en_ewt_eval", needed_lines()) if context else None,
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


def demo_layouts() -> list[nk.Layout]:
    """26 keys and all strict 1 x 5, 2 x 3 and 3 x 2 grids over them, on the demo's pad."""
    base = nk.Layout.named("qwerty")
    layouts = [base.fitted(18, 12)]
    for rows, columns in ((1, 5), (2, 3), (3, 2)):
        layouts += nk.grid_layouts(base, rows=rows, columns=columns, width_mm=18, height_mm=12)
    return layouts


def demo_pad() -> nk.Layout:
    """The grid of 2 x 3 that examples/demo.py ranks first of its shape, on the demo's pad."""
    return next(grid for grid in demo_layouts() if grid.name == "qwerty-2x3-s14")
