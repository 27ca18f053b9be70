"""A small pack and small rankings for the tests of the report room; all numbers are invented."""

from __future__ import annotations

from functools import cache

import numpy as np

import nearkey as nk
from nearkey.simulate import RankResult

TEXT = (
    "the of and to in is it on he by we at be or an as do so if go up my no me us "
    "not but was has had for out top set low new pin peg was are you all one two day road "
    "line gate wall east west side bank mark left over back field fence level point north south "
    "stone river staff plumb bench noted found moved broken bridge corner ground height marker "
    "station control boundary measured distance"
)


class _Lexicon:
    def __init__(self) -> None:
        ranked = list(dict.fromkeys(TEXT.split()))
        share = {word: 1.0 / (i + 2) for i, word in enumerate(ranked)}
        total = sum(share.values())
        self.words = sorted(ranked, key=lambda w: (len(w), w))
        self.log_probs = np.log([share[w] / total for w in self.words]).astype(np.float32)
        self._index = {word: i for i, word in enumerate(self.words)}

    def __len__(self) -> int:
        return len(self.words)

    def __iter__(self):
        return iter(self.words)

    def __contains__(self, word: object) -> bool:
        return word in self._index

    def index(self, word: str) -> int | None:
        return self._index.get(word)

    def log_prob(self, word: str) -> float:
        return float(self.log_probs[self._index[word]])


class _NoContext:
    """A language model that looks at nothing before the word."""

    def __init__(self, lexicon: _Lexicon) -> None:
        self.lexicon = lexicon

    def start(self):
        return ()

    def advance(self, state, word):
        return ()

    def log_probs(self, state):
        return self.lexicon.log_probs

    def log_unknown(self, state):
        return -np.inf


class SmallPack:
    def __init__(self) -> None:
        self.lexicon = _Lexicon()
        self.language_model = _NoContext(self.lexicon)


@cache
def small_pack() -> SmallPack:
    return SmallPack()


def pad(name: str = "qwerty") -> nk.Layout:
    return nk.Layout.named(name).fitted(18, 12)


def grids(rows: int, columns: int, limit: int | None = None) -> list[nk.Layout]:
    return list(
        nk.grid_layouts(
            nk.Layout.named("qwerty"),
            rows=rows,
            columns=columns,
            width_mm=18,
            height_mm=12,
            limit=limit,
        )
    )


@cache
def small_ranking(*, baseline: bool = True, by: str = "top3", seed: int = 5) -> RankResult:
    """Two grids of 2 x 3, two of 3 x 2 and 26 keys, 400 words each."""
    return nk.rank_layouts(
        [*grids(2, 3, 2), *grids(3, 2), *([] if baseline else [pad()])],
        touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread_mm=1.6),
        pack=small_pack(),
        words=400,
        seed=seed,
        by=by,
        baseline=pad() if baseline else None,
    )
