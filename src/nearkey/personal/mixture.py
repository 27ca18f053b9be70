"""The mixture of a person's counts with a language model, as overlays for the decoder."""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np

from nearkey.decode.protocols import Vocabulary
from nearkey.personal.contexts import RecentWords
from nearkey.personal.counts import Counts
from nearkey.personal.offered import Offered
from nearkey.personal.settings import WordSettings

__all__ = ["Mixture", "Overlays"]

# States whose overlays are kept until the store changes; a decoder asks for the same few again and again.
_KEPT = 64


@dataclass(frozen=True, slots=True)
class Mixture:
    """The mixture after one context: P'(w | h) = keep P(w | h) + weight (scale uses(w) + extra[w]).

    order : words of context about which something is known, 0 to 2.
    weight : a, the weight of the person's words.
    pack_in_cache : the part of the person's own distribution that is the pack again (its
        smoothing): keep = 1 - a + a pack_in_cache.
    extra : what phrases add to words alone.
    """

    order: int
    weight: float
    pack_in_cache: float
    scale: float
    extra: dict[str, float]

    @property
    def keep(self) -> float:
        return 1.0 - self.weight + self.weight * self.pack_in_cache

    def share(self, own: float, base: float) -> float | None:
        """P(a word came from the person's words): the E-step of the mixture.

        own : its part of the person's distribution. base : P(word | h) of the pack. None where
        neither knows the word.
        """
        cache = self.weight * (own + self.pack_in_cache * base)
        total = cache + (1.0 - self.weight) * base
        return cache / total if total > 0.0 else None


class Overlays:
    """Makes mixtures and overlays, and keeps the latest until the counts change.

    With c(.) faded counts, N their sum over the words offered, k the caution of each order and P the
    pack's model:
    C1(w) = (c(w) + k1 P(w | h)) / (N + k1), C2(w) = (c(v w) + k2 C1(w)) / (c(v .) + k2), C3 likewise.
    """

    def __init__(self, settings: WordSettings, lexicon: Vocabulary, read: RecentWords) -> None:
        self._settings = settings
        self._read = read
        self._offered = Offered(settings, lexicon)
        # Words that changed since the last answer; None where any may have.
        self._changed: set[str] | None = None
        self._stale = True
        self._mixtures: dict[Hashable, Mixture] = {}
        self._log_probs: dict[Hashable, dict[str, float]] = {}

    def changed(self, word: str | None = None) -> None:
        """The counts changed: those of one word and of what follows what, or anything."""
        self._stale = True
        if word is None:
            self._changed = None
        elif self._changed is not None:
            self._changed.add(word)

    def weight(self, order: int, counts: Counts) -> float:
        """The learnt weight: the mean of its posterior under a beta prior, clipped."""
        s = self._settings
        tally, unit = counts.tallies[order], counts.unit(counts.clock)
        total = s.start_words + tally.total / unit
        if total <= 0.0:
            return s.start_weight
        return min((s.start_words * s.start_weight + tally.share / unit) / total, s.max_weight)

    def share(self, state: Hashable, word: str, base: float, counts: Counts) -> float | None:
        """P(the word came from the person's words | state), `base` being the pack's P(word | state)."""
        mixture = self.mixture(state, counts)
        own = mixture.scale * self._offered.uses_of(word) + mixture.extra.get(word, 0.0)
        return mixture.share(own, base)

    def overlay(self, state: Hashable, counts: Counts) -> tuple[float, dict[str, float]]:
        """(keep, {word: log_prob}) in natural logs, as the decoder takes it."""
        mixture = self.mixture(state, counts)
        if mixture.weight <= 0.0:
            return 0.0, {}
        found = self._log_probs.get(state)
        if found is None:
            own = mixture.weight * mixture.scale * self._offered.uses
            found = dict(zip(self._offered.words, np.log(own).tolist(), strict=True))
            for word, extra in mixture.extra.items():
                before = math.exp(found[word]) if word in found else 0.0
                found[word] = math.log(before + mixture.weight * extra)
            self._log_probs[state] = found
        return math.log(mixture.keep), found

    def mixture(self, state: Hashable, counts: Counts) -> Mixture:
        """The mixture after a state."""
        if self._stale:
            self._refresh(counts)
        found = self._mixtures.get(state)
        if found is None:
            if len(self._mixtures) >= _KEPT:
                self._mixtures.clear()
                self._log_probs.clear()
            context = self._read(state)[-2:] if state is not None else ()
            found = self._mixtures[state] = self._mix(context, counts)
        return found

    def _refresh(self, counts: Counts) -> None:
        self._mixtures.clear()
        self._log_probs.clear()
        if self._changed is None:
            self._offered.rebuild(counts)
        else:
            for word in self._changed:
                self._offered.update(word, counts)
        self._offered.refresh(counts)
        self._changed = set()
        self._stale = False

    def _mix(self, context: tuple[str, ...], counts: Counts) -> Mixture:
        if not self._offered.words:
            return Mixture(0, 0.0, 1.0, 0.0, {})
        k = self._settings.caution
        scale = 1.0 / (self._offered.total + k[0])
        pack = k[0] * scale
        order, unit = 0, counts.unit(counts.clock)
        extra: dict[str, float] = {}
        for length in (1, 2):
            followers = counts.phrases.get(context[-length:]) if len(context) >= length else None
            counted = {
                word: count / unit
                for word, count in (followers or {}).items()
                if self._offered.allows(word, counts)
            }
            if not counted:
                break
            order = length
            total = sum(counted.values()) + k[length]
            lower = k[length] / total
            scale *= lower
            pack *= lower
            extra = {word: p * lower for word, p in extra.items()}
            for word, count in counted.items():
                extra[word] = extra.get(word, 0.0) + count / total
        return Mixture(order, self.weight(order, counts), pack, scale, extra)
