"""The words a store offers, with their counts in one array, kept up to date word by word."""

from __future__ import annotations

from itertools import compress

import numpy as np
from numpy.typing import NDArray

from nearkey.decode.protocols import Vocabulary
from nearkey.personal.counts import Counts
from nearkey.personal.settings import WordSettings

__all__ = ["Offered"]

Floats = NDArray[np.float64]


class Offered:
    """Which counted words may be offered, and how often each was used.

    `words` are the most used ones, at most `max_offered`; `uses (n,)` how many words typed just now
    each is worth, above 0. Both stand for the counts at the last `refresh`.
    """

    def __init__(self, settings: WordSettings, lexicon: Vocabulary) -> None:
        self._settings = settings
        self._lexicon = lexicon
        self._in_lexicon: dict[str, bool] = {}
        self._names: list[str] = []
        self._position: dict[str, int] = {}
        # Counts stay below 2**53 (see `Counts`), so that a float holds them exactly.
        self._counts = np.zeros(64)
        self.words: list[str] = []
        self.uses = np.zeros(0)
        self.total = 0.0
        self._all_uses = np.zeros(0)
        self._kept = np.zeros(0, dtype=np.bool_)

    def allows(self, word: str, counts: Counts) -> bool:
        """Whether a counted word may be offered: known to the lexicon, pinned, or confirmed enough."""
        known = self._in_lexicon.get(word)
        if known is None:
            known = self._in_lexicon[word] = word in self._lexicon
        return (
            known
            or word in counts.pinned
            or counts.times.get(word, 0) >= self._settings.enter_after
        )

    def rebuild(self, counts: Counts) -> None:
        """Take everything in anew."""
        self._names, self._position = [], {}
        self._counts = np.zeros(max(64, 2 * len(counts.words)))
        for word in counts.words.keys() | counts.pinned.keys():
            self.update(word, counts)

    def update(self, word: str, counts: Counts) -> None:
        """Take in what changed about one word."""
        at = self._position.get(word)
        if at is None:
            at = self._position[word] = len(self._names)
            self._names.append(word)
            if at == len(self._counts):
                self._counts = np.concatenate([self._counts, np.zeros(at)])
        self._counts[at] = counts.words.get(word, 0) if self.allows(word, counts) else 0

    def refresh(self, counts: Counts) -> None:
        """Words and uses as of now."""
        uses = self._counts[: len(self._names)] / counts.unit(counts.clock)
        for word in counts.pinned:
            # A word added by hand never fades below one use.
            at = self._position[word]
            uses[at] = max(float(uses[at]), 1.0)
        kept = self._most_used(uses)
        if kept.all():
            self.words, self.uses = self._names.copy(), uses
        else:
            self.words, self.uses = list(compress(self._names, kept)), uses[kept]
        self.total = float(self.uses.sum())
        self._kept, self._all_uses = kept, uses

    def uses_of(self, word: str) -> float:
        """Uses of one word, 0 where it is not offered."""
        at = self._position.get(word)
        return float(self._all_uses[at]) if at is not None and self._kept[at] else 0.0

    def _most_used(self, uses: Floats) -> NDArray[np.bool_]:
        kept: NDArray[np.bool_] = uses > 0
        most = self._settings.max_offered
        if int(kept.sum()) > most:
            least = np.partition(uses, len(uses) - most)[len(uses) - most]
            kept = uses > least
            # Of those used equally often at the limit, the last by alphabet, whatever their order here.
            equal = sorted(np.flatnonzero(uses == least).tolist(), key=self._names.__getitem__)
            kept[equal[len(equal) - (most - int(kept.sum())) :]] = True
        return kept
