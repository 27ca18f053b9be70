"""The mixture of a person's counts with a language model, after each context, as the decoder takes it."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy.typing import NDArray

from nearkey.decode.protocols import (
    LanguagePack,
    MixedLanguageModel,
    State,
    TableLanguageModel,
    Vocabulary,
)
from nearkey.personal.word_counts import WordCounts, WordSettings

RecentWords = Callable[[State], tuple[str, ...]]
"""Gives the words a state stands for, the oldest first; () where it cannot tell."""

Floats = NDArray[np.float64]
PackProbabilities = Callable[[State, NDArray[np.int64]], Floats]
"""P(word | state) by the pack, (n,), for indices (n,) of its lexicon; for None, no context, P(word)."""


def pack_probabilities(pack: LanguagePack) -> PackProbabilities:
    """The pack's probabilities, by the way that costs least for its language model."""
    model, lexicon = pack.language_model, pack.lexicon
    # Found out once: the question takes as long as looking a word up.
    table = model if isinstance(model, TableLanguageModel) else None
    tokens = None if table is None else np.asarray(table.tokens(lexicon.words))

    def of(state: State, places: NDArray[np.int64]) -> Floats:
        if state is not None and table is not None and tokens is not None:
            return np.exp(table.table.log_probs(state, tokens[places]))
        found = lexicon.log_probs if state is None else model.log_probs(state)
        return np.exp(found[places].astype(np.float64))

    return of


def recent_words(pack: LanguagePack) -> RecentWords:
    """The reader of states that fits a pack's language model.

    States of a table model, and those a mixed model has for its table, are token ids; they become the words of the
    lexicon, ``<s>`` for the sentence's start and ``<unk>`` for everything else. A state that is a sequence of strings
    is taken as the words themselves. Any other state tells nothing: only words without context are
    then learnt.
    """
    model = pack.language_model
    if isinstance(model, MixedLanguageModel):
        read, tokens_of = _of_tokens(pack, model.ngram), model.ngram_state
        return lambda state: () if state is None else read(tokens_of(state))
    if isinstance(model, TableLanguageModel):
        return _of_tokens(pack, model)
    return _of_strings


def _of_strings(state: State) -> tuple[str, ...]:
    if isinstance(state, Sequence) and not isinstance(state, str):
        words = tuple(state)
        if all(isinstance(word, str) for word in words):
            return words
    return ()


def _of_tokens(pack: LanguagePack, model: TableLanguageModel) -> RecentWords:
    words = pack.lexicon.words
    table = model.table
    position = np.full(int(table.vocab), -1, dtype=np.int64)
    tokens = np.asarray(model.tokens(words), dtype=np.int64)
    position[tokens] = np.arange(len(tokens))
    position[int(table.unk)] = -1
    start = int(table.bos)

    def read(state: State) -> tuple[str, ...]:
        return tuple(
            words[position[token]]
            if position[token] >= 0
            else ("<s>" if token == start else "<unk>")
            for token in state or ()
        )

    return read


# ---- words that may be offered ----


class OfferedWords:
    """Which counted words may be offered, and how often each was used.

    `words` are the most used ones, at most `max_offered`; `uses (n,)` how many words typed just now
    each is worth, above 0; `listed` and `places` which of them the lexicon has, and where. All stand for the counts at
    the last `refresh`.
    """

    def __init__(self, settings: WordSettings, lexicon: Vocabulary) -> None:
        self._settings = settings
        self._lexicon = lexicon
        self._index: dict[str, int | None] = {}
        self._names: list[str] = []
        self._places: list[int] = []
        self._position: dict[str, int] = {}
        # Counts stay below 2**53 (see `WordCounts`), so that a float holds them exactly.
        self._counts = np.zeros(64)
        self.words: list[str] = []
        self.uses = np.zeros(0)
        self.listed = self.places = np.zeros(0, dtype=np.int64)
        self.total = 0.0
        self._all_uses = np.zeros(0)
        self._kept = np.zeros(0, dtype=np.bool_)

    def allows(self, word: str, counts: WordCounts) -> bool:
        """Whether a counted word may be offered: known to the lexicon, pinned, or confirmed enough."""
        return (
            self.place(word) is not None
            or word in counts.pinned
            or counts.times.get(word, 0) >= self._settings.enter_after
        )

    def place(self, word: str) -> int | None:
        """The word's index in the lexicon."""
        if word not in self._index:
            self._index[word] = self._lexicon.index(word)
        return self._index[word]

    def rebuild(self, counts: WordCounts) -> None:
        """Take everything in anew."""
        self._names, self._places, self._position = [], [], {}
        self._counts = np.zeros(max(64, 2 * len(counts.words)))
        for word in counts.words.keys() | counts.pinned.keys():
            self.update(word, counts)

    def update(self, word: str, counts: WordCounts) -> None:
        """Take in what changed about one word."""
        at = self._position.get(word)
        if at is None:
            at = self._position[word] = len(self._names)
            self._names.append(word)
            place = self.place(word)
            self._places.append(-1 if place is None else place)
            if at == len(self._counts):
                self._counts = np.concatenate([self._counts, np.zeros(at)])
        self._counts[at] = counts.words.get(word, 0) if self.allows(word, counts) else 0

    def refresh(self, counts: WordCounts) -> None:
        """Words and uses as of now."""
        uses = self._counts[: len(self._names)] / counts.unit(counts.clock)
        for word in counts.pinned:
            # A word added by hand never decays below one use.
            at = self._position[word]
            uses[at] = max(float(uses[at]), 1.0)
        kept = self._most_used(uses)
        if kept.all():
            self.words, self.uses = self._names.copy(), uses
        else:
            self.words, self.uses = list(compress(self._names, kept)), uses[kept]
        self.total = float(self.uses.sum())
        places = np.array(self._places, np.int64)[kept]
        self.listed = np.flatnonzero(places >= 0)
        self.places = places[self.listed]
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


# ---- the mixture ----

# States whose overlays are kept until the store changes; a decoder asks for the same few again and again.
_KEPT = 64


@dataclass(frozen=True, slots=True)
class ContextMixture:
    """The mixture after one context: P'(w | h) = pack_weight F(w | h) + weight (scale uses(w) + extra[w]), where F
    is the pack as the person's words rescale it (see `PersonalInterpolation`).

    order : words of context about which something is known, 0 to 2.
    weight : a, the weight of the person's words.
    pack_in_cache : the part of the person's own distribution that is the pack again (its
        smoothing): pack_weight = 1 - a + a pack_in_cache.
    extra : what phrases add to words alone.
    norm, added : F(w | h) = P(w | h) / norm, and `added (n,)` / norm more for the offered words of the lexicon.
    """

    order: int
    weight: float
    pack_in_cache: float
    scale: float
    extra: dict[str, float]
    norm: float
    added: Floats

    @property
    def pack_weight(self) -> float:
        """The interpolation weight of the pack, what smoothing gives back to it included."""
        return 1.0 - self.weight + self.weight * self.pack_in_cache

    def responsibility(self, own: float, base: float) -> float | None:
        """Responsibility of the person's words for a word: the E-step of the mixture.

        own : its part of the person's distribution. base : F(word | h) of the pack. None where
        neither knows the word.
        """
        cache = self.weight * (own + self.pack_in_cache * base)
        total = cache + (1.0 - self.weight) * base
        return cache / total if total > 0.0 else None


class PersonalInterpolation:
    """Interpolates a person's counts with a pack: mixtures by state, kept until the counts change.

    With c(.) decayed counts, N their sum over the words offered, k the caution of each order, P the pack's model and
    p(w) its probability without context:
    F(w | h) = P(w | h) (1 + c(w) / (m p(w)))^b / norm(h), with the exponent b = `rescaling` and m = `rescaling_words`:
    words she uses more than others become more probable, each where it fits (unigram rescaling: R. Kneser, J. Peters,
    D. Klakow, "Language model adaptation using dynamic marginals", Eurospeech 1997).
    C1(w) = (c(w) + k1 F(w | h)) / (N + k1), C2(w) = (c(v w) + k2 C1(w)) / (c(v .) + k2), C3 likewise.
    """

    def __init__(self, settings: WordSettings, pack: LanguagePack, read: RecentWords) -> None:
        self._settings = settings
        self._read = read
        self._probabilities = pack_probabilities(pack)
        self._lexicon = pack.lexicon
        self._offered = OfferedWords(settings, self._lexicon)
        # (1 + c(w) / (m p(w)))^b - 1 of the offered words that the lexicon has.
        self._boost = np.zeros(0)
        # Words that changed since the last answer; None where any may have.
        self._changed: set[str] | None = None
        self._stale = True
        self._mixtures: dict[Hashable, ContextMixture] = {}
        self._log_probs: dict[Hashable, dict[str, float]] = {}

    def changed(self, word: str | None = None) -> None:
        """The counts changed: those of one word and of what follows what, or anything."""
        self._stale = True
        if word is None:
            self._changed = None
            # Words may have been forgotten: none is to stay in memory.
            self._offered = OfferedWords(self._settings, self._lexicon)
            self._mixtures.clear()
            self._log_probs.clear()
        elif self._changed is not None:
            self._changed.add(word)

    def weight(self, order: int, counts: WordCounts) -> float:
        """The learnt weight: the mean of its posterior under a beta prior, clipped."""
        s = self._settings
        evidence, unit = counts.evidence[order], counts.unit(counts.clock)
        total = s.start_words + evidence.total / unit
        if total <= 0.0:
            return s.start_weight
        return min(
            (s.start_words * s.start_weight + evidence.responsibility / unit) / total, s.max_weight
        )

    def responsibility(
        self, state: Hashable, word: str, counts: WordCounts
    ) -> tuple[int, float] | None:
        """The order of the mixture after a state, and the responsibility of the person's words for a word."""
        mixture = self.mixture(state, counts)
        place = self._offered.place(word)
        base = 0.0
        if place is not None:
            base = float(self._probabilities(state, np.array([place]))[0]) / mixture.norm
            base *= 1.0 + self._boost_of(place)
        own = mixture.scale * self._offered.uses_of(word) + mixture.extra.get(word, 0.0)
        found = mixture.responsibility(own, base)
        return None if found is None else (mixture.order, found)

    def _boost_of(self, place: int) -> float:
        found = np.flatnonzero(self._offered.places == place)
        return float(self._boost[found[0]]) if len(found) else 0.0

    def overlay(self, state: Hashable, counts: WordCounts) -> tuple[float, dict[str, float]]:
        """(log of the pack's interpolation weight, {word: log_prob}), natural logs, as the decoder takes it."""
        mixture = self.mixture(state, counts)
        if mixture.weight <= 0.0 and mixture.norm == 1.0:
            return 0.0, {}
        of_pack = mixture.pack_weight / mixture.norm
        found = self._log_probs.get(state)
        if found is None:
            own = mixture.weight * mixture.scale * self._offered.uses
            own[self._offered.listed] += of_pack * mixture.added
            with np.errstate(divide="ignore"):  # a new word, where her words have no weight
                found = dict(zip(self._offered.words, np.log(own).tolist(), strict=True))
            for word, extra in mixture.extra.items():
                whole = mixture.weight * extra + (math.exp(found[word]) if word in found else 0.0)
                if whole > 0.0:
                    found[word] = math.log(whole)
            self._log_probs[state] = found
        return math.log(of_pack), found

    def mixture(self, state: Hashable, counts: WordCounts) -> ContextMixture:
        """The mixture after a state."""
        if self._stale:
            self._refresh(counts)
        found = self._mixtures.get(state)
        if found is None:
            if len(self._mixtures) >= _KEPT:
                self._mixtures.clear()
                self._log_probs.clear()
            found = self._mixtures[state] = self._mix(state, counts)
        return found

    def _refresh(self, counts: WordCounts) -> None:
        self._mixtures.clear()
        self._log_probs.clear()
        if self._changed is None:
            self._offered.rebuild(counts)
        else:
            for word in self._changed:
                self._offered.update(word, counts)
        self._offered.refresh(counts)
        self._boost = self._boosts()
        self._changed = set()
        self._stale = False

    def _boosts(self) -> Floats:
        exponent, prior = self._settings.rescaling, self._settings.rescaling_words
        usual = prior * self._probabilities(None, self._offered.places)
        uses = self._offered.uses[self._offered.listed]
        with np.errstate(divide="ignore"):  # a word that the pack rules out stays so
            boost: Floats = np.where(usual > 0, (1.0 + uses / usual) ** exponent - 1.0, 0.0)
        return boost

    def _mix(self, state: Hashable, counts: WordCounts) -> ContextMixture:
        context = self._read(state)[-2:] if state is not None else ()
        if not self._offered.words:
            return ContextMixture(0, 0.0, 1.0, 0.0, {}, 1.0, self._boost)
        added = self._boost
        if self._settings.rescaling:
            added = added * self._probabilities(state, self._offered.places)
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
        weight, norm = self.weight(order, counts), 1.0 + float(added.sum())
        return ContextMixture(order, weight, pack, scale, extra, norm, added)
