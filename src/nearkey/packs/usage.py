"""How words are written and what follows them, counted from the running text."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Container, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from nearkey.language.reading.streams import TextStream
from nearkey.language.tokens import PUNCTUATION, Normalise

_MIN_USES = 3
_LISTED_BONUS = 0.25
_MIN_ROW = 20
_PRIORS = (2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def usual_forms(
    streams: Sequence[TextStream],
    listed_forms: Mapping[str, str],
    listed: Container[str],
    index: Mapping[str, int],
    normalise: Normalise,
) -> dict[int, tuple[str, float]]:
    """For each lexicon word usually not written in lower case: its form, and the form's share.

    streams : the texts. index : the lexicon's words to their places, spelled as `normalise` does.
    Counted within sentences, where no capital is due to the position, and outside sentences in capital
    letters. Each source's shares weigh the same, so that a large careless source does not decide. The form
    of the spelling lists (`listed_forms` where it is not lower case, else that of a `listed` word) gets a
    bonus, and is taken where the text says too little.
    """
    shares: dict[int, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    n_sources: Counter[int] = Counter()
    for stream in streams:
        uses: defaultdict[int, Counter[str]] = defaultdict(Counter)
        for form, count in _inner_forms(stream):
            at = index.get(normalise(form))
            if at is not None:
                uses[at][form] += count
        for at, forms in uses.items():
            total = forms.total()
            if total >= _MIN_USES:
                n_sources[at] += 1
                for form, count in forms.items():
                    shares[at][form] += count / total
    found: dict[int, tuple[str, float]] = {}
    for word, at in index.items():
        candidates = {form: share / n_sources[at] for form, share in shares.get(at, {}).items()}
        usual = listed_forms.get(word) or (word if word in listed else None)
        if usual is not None:
            candidates[usual] = candidates.get(usual, 0.0) + _LISTED_BONUS
        if not candidates:
            continue
        best = min(candidates, key=lambda form: (-candidates[form], form))
        if best != word:
            share = candidates[best] if n_sources[at] else 1.0
            found[at] = (best, min(1.0, share))
    return found


def _inner_forms(stream: TextStream) -> list[tuple[str, int]]:
    """Forms and counts of the words within sentences."""
    size = stream.n_words
    inner = np.ones(size, dtype=bool)
    inner[stream.starts[:-1]] = False
    after_stop = np.isin(stream.punctuation[:-1], [PUNCTUATION.index(mark) for mark in ".?!:"])
    inner[1:] &= ~after_stop
    capital = np.array([len(s) > 1 and s.isupper() for s in stream.surfaces], dtype=bool)
    spelled = np.array([s[:1].isalpha() for s in stream.surfaces], dtype=bool)
    loud = np.add.reduceat(capital[stream.ids].astype(np.int64), stream.starts[:-1])
    words = np.add.reduceat(spelled[stream.ids].astype(np.int64), stream.starts[:-1])
    shouted = loud > 0.5 * words
    inner &= ~np.repeat(shouted, np.diff(stream.starts))
    counts = np.bincount(stream.ids[inner], minlength=len(stream.surfaces))
    return [
        (stream.surfaces[i].replace("\u2019", "'"), int(counts[i])) for i in np.flatnonzero(counts)
    ]


def count_punctuation(
    streams: Sequence[TextStream],
    index: Mapping[str, int],
    normalise: Normalise,
    *,
    held_out: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """(average row, words with a row of their own, their rows) of P(mark | word).

    Parameters as of `usual_forms`. A row is ``(count + K * average) / (total + K)``, with the K of a small
    set that gives held-out sentences (a fraction `held_out` of all) the highest likelihood.
    """
    n_symbols = len(PUNCTUATION)
    counts = np.zeros((2, len(index), n_symbols))  # of the rest, of what is held out
    for stream in streams:
        of_surface = np.array([index.get(normalise(s), -1) for s in stream.surfaces], np.int64)
        held = np.repeat(stream.in_part(held_out), np.diff(stream.starts))
        word = of_surface[stream.ids]
        use = (stream.punctuation < n_symbols) & (word >= 0)
        cells = (held * len(index) + word)[use] * n_symbols + stream.punctuation[use]
        counts += np.bincount(cells, minlength=counts.size).reshape(counts.shape)
    train, test = counts
    average = (train.sum(axis=0) + 1.0) / (train.sum() + n_symbols)
    best = max(
        _PRIORS, key=lambda prior: float(np.sum(test * np.log(_smoothed(train, average, prior))))
    )
    both = train + test
    average = (both.sum(axis=0) + 1.0) / (both.sum() + n_symbols)
    rows = np.flatnonzero(both.sum(axis=1) >= _MIN_ROW)
    return average, rows, _smoothed(both[rows], average, best)


def _smoothed(
    table: NDArray[np.float64], average: NDArray[np.float64], prior: float
) -> NDArray[np.float64]:
    totals: NDArray[np.float64] = table.sum(axis=1, keepdims=True)
    return (table + prior * average) / (totals + prior)
