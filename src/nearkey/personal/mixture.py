"""The mixture of a person's counts with a language model, as overlays for the decoder."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass

import numpy as np

from nearkey.decode.protocols import Lexicon
from nearkey.personal.counts import Counts
from nearkey.personal.settings import WordSettings

__all__ = ["Overlay", "Overlays"]

# States whose overlays are kept until the store changes; a decoder asks for the same few again and again.
_KEPT = 64


@dataclass(frozen=True, slots=True)
class Overlay:
    """The mixture after one context: exp(keep) P(w | h) + exp(log_prob[w]).

    order : words of context about which something is known, 0 to 2.
    weight : a, the weight of the person's words.
    pack_in_cache : the part of the person's own distribution that is the pack again (its
        smoothing): keep = log(1 - a + a pack_in_cache).
    """

    keep: float
    log_prob: dict[str, float]
    order: int
    weight: float
    pack_in_cache: float

    def share(self, word: str, base_log_prob: float) -> float | None:
        """P(word came from the person's words), given P(word | h) of the pack (natural log).

        The E-step of the mixture. None where neither knows the word.
        """
        own = math.exp(self.log_prob[word]) if word in self.log_prob else 0.0
        base = math.exp(base_log_prob)
        total = own + math.exp(self.keep) * base
        if not total > 0.0:
            return None
        return (own + self.weight * self.pack_in_cache * base) / total


class Overlays:
    """Makes overlays and keeps the latest, until the counts change.

    With c(.) faded counts, N their sum over the words offered, k the caution of each order and
    P the pack's model:
    C1(w) = (c(w) + k1 P(w | h)) / (N + k1), C2(w) = (c(v w) + k2 C1(w)) / (c(v .) + k2), C3 likewise.
    """

    def __init__(self, settings: WordSettings, lexicon: Lexicon) -> None:
        self._settings = settings
        self._lexicon = lexicon
        self._in_lexicon: dict[str, bool] = {}
        self._made_at = -1
        self._made: dict[Hashable, Overlay] = {}
        self._unigrams: _Unigrams | None = None

    def get(
        self,
        state: Hashable,
        read: Callable[[Hashable], tuple[str, ...]],
        counts: Counts,
        changes: int,
    ) -> Overlay:
        """The overlay after a state; `changes` tells whether the counts are still the same."""
        if changes != self._made_at:
            self._made.clear()
            self._unigrams = None
            self._made_at = changes
        found = self._made.get(state)
        if found is None:
            if len(self._made) >= _KEPT:
                del self._made[next(iter(self._made))]
            context = read(state)[-2:] if state is not None else ()
            found = self._made[state] = self._make(context, counts)
        return found

    def weight(self, order: int, counts: Counts) -> float:
        """The learnt weight: the mean of its posterior under a beta prior, clipped."""
        s = self._settings
        tally, unit = counts.tallies[order], counts.unit(counts.clock)
        total = s.start_words + tally.total / unit
        if total <= 0.0:
            return s.start_weight
        return min((s.start_words * s.start_weight + tally.share / unit) / total, s.max_weight)

    def offered(self, word: str, counts: Counts) -> bool:
        """Whether a counted word may be offered: known to the lexicon, pinned, or confirmed enough."""
        known = self._in_lexicon.get(word)
        if known is None:
            known = self._in_lexicon[word] = word in self._lexicon
        return (
            known
            or word in counts.pinned
            or counts.times.get(word, 0) >= self._settings.enter_after
        )

    def _make(self, context: tuple[str, ...], counts: Counts) -> Overlay:
        if self._unigrams is None:
            self._unigrams = self._count_unigrams(counts)
        words, uses = self._unigrams.words, self._unigrams.uses
        if not words:
            return Overlay(0.0, {}, 0, 0.0, 1.0)
        k = self._settings.caution
        total = float(uses.sum())
        own = uses / (total + k[0])
        pack = k[0] / (total + k[0])
        order, unit = 0, counts.unit(counts.clock)
        extra: dict[str, float] = {}
        for length in (1, 2):
            followers = counts.phrases.get(context[-length:]) if len(context) >= length else None
            counted = {w: c / unit for w, c in (followers or {}).items() if self.offered(w, counts)}
            if not counted:
                break
            order = length
            scale = sum(counted.values()) + k[length]
            own *= k[length] / scale
            pack *= k[length] / scale
            extra = {w: p * k[length] / scale for w, p in extra.items()}
            for w, c in counted.items():
                extra[w] = extra.get(w, 0.0) + c / scale
        weight = self.weight(order, counts)
        if weight <= 0.0:
            return Overlay(0.0, {}, order, 0.0, pack)
        log_prob = dict(zip(words, np.log(weight * own).tolist(), strict=True))
        for w, p in extra.items():
            before = log_prob.get(w)
            log_prob[w] = math.log(weight * p + (math.exp(before) if before is not None else 0.0))
        return Overlay(math.log1p(weight * (pack - 1.0)), log_prob, order, weight, pack)

    def _count_unigrams(self, counts: Counts) -> _Unigrams:
        unit = counts.unit(counts.clock)
        found = {w: c for w, c in counts.words.items() if self.offered(w, counts)}
        # A word added by hand never fades below one use.
        for w in counts.pinned:
            found[w] = max(found.get(w, 0), unit)
        if len(found) > self._settings.max_offered:
            top = heapq.nlargest(self._settings.max_offered, found, key=lambda w: (found[w], w))
            found = {w: found[w] for w in top}
        uses = np.fromiter(found.values(), np.float64, len(found)) / unit
        return _Unigrams(list(found), uses)


@dataclass(frozen=True, slots=True, eq=False)
class _Unigrams:
    words: list[str]
    uses: np.ndarray[tuple[int], np.dtype[np.float64]]
