"""How ambiguous a letter assignment is before any noise: words that share a key sequence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack
from nearkey.decode.spelling import spell_words
from nearkey.layout import Layout

__all__ = ["Collisions", "collisions"]


@dataclass(frozen=True, slots=True)
class Collisions:
    """Exact measures over the whole lexicon, weighted by word probability; touches are perfect.

    rate : share of word tokens that a more probable word with the same keys beats to first place.
    shared : share of word tokens with any other word on the same keys.
    rank : (n_words,) int64, place of each word among the words of its keys by probability, from 1;
        0 for words the layout cannot type.
    top : share of word tokens within the first 1, 3 and 5 places.
    """

    rate: float
    shared: float
    rank: NDArray[np.int64]
    top: dict[int, float]


def collisions(layout: Layout, pack: LanguagePack) -> Collisions:
    """Collision measures of a layout under a pack's lexicon and word probabilities.

    Words of equal probability are placed in the lexicon's order.
    """
    letters = "".join(sorted(layout.letters))
    spelling = spell_words(pack.lexicon.words, letters)
    key = np.asarray([layout.key_of_letter[letter] for letter in letters], dtype=np.uint8)
    lengths = np.diff(spelling.offsets.astype(np.int64))
    n_words = len(pack.lexicon)
    # A word with two spellings is taken in its first one.
    _, first = np.unique(spelling.word, return_index=True)
    longest = int(lengths.max(initial=0))
    rows = np.full((len(first), longest + 1), 255, dtype=np.uint8)
    columns = np.arange(longest)
    inside = columns < lengths[first][:, None]
    positions = spelling.offsets[first].astype(np.int64)[:, None] + columns
    rows[:, :longest][inside] = key[spelling.letters[positions[inside]]]
    word = spelling.word[first].astype(np.int64)
    probability = np.exp(np.asarray(pack.lexicon.log_probs, dtype=np.float64))[word]

    keys = np.ascontiguousarray(rows).view(np.dtype((np.void, rows.shape[1]))).ravel()
    _, group = np.unique(keys, return_inverse=True)
    group = group.ravel()
    order = np.lexsort((word, -probability, group))
    starts = np.flatnonzero(np.diff(group[order], prepend=-1))
    run = np.diff(np.append(starts, len(order)))
    place = np.arange(len(order)) - np.repeat(starts, run) + 1
    rank = np.zeros(n_words, dtype=np.int64)
    rank[word[order]] = place
    total = probability.sum()
    weight = np.zeros(n_words)
    weight[word] = probability / total if total > 0 else 0.0
    alone = np.repeat(run == 1, run)
    shared = float(weight[word[order[~alone]]].sum())
    top = {k: float(weight[(rank >= 1) & (rank <= k)].sum()) for k in (1, 3, 5)}
    return Collisions(1.0 - top[1], shared, rank, top)
