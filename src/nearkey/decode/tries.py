"""What all decoders of a pack over the same letters share: tries, and what was made of contexts last."""

from __future__ import annotations

from collections.abc import Hashable
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.decode.protocols import PackParts, PersonalWords, State, Vocabulary
from nearkey.decode.spelling import SpelledWords, spell_words
from nearkey.errors import DecodeError

_STATES = 8
"""Dense vectors kept, of about a megabyte: live typing needs one, and those before it after a word is taken back."""


ReadyOverlay = tuple[_kernel.Overlay, tuple[str, ...]]
"""An overlay bound to one set of tries, and its new words: word number n_words + j of a hit is the j-th of them."""


class OverlayCache:
    """A person's words laid over the pack's in recent states, as the kernel takes them: the touches of one word share
    one overlay."""

    _MOST = 16

    def __init__(self, vocabulary: Vocabulary, letters: str) -> None:
        self._vocabulary = vocabulary
        self._letters = letters
        self._ready: dict[tuple[int, Hashable, State], tuple[PersonalWords, ReadyOverlay]] = {}

    def get(self, personal: PersonalWords, state: State, lexicon: _kernel.Lexicon) -> ReadyOverlay:
        """The overlay of a store in a state, for the tries searched in it.

        Made when the store changed or the state is new.
        """
        key = (id(personal), personal.version, state)
        found = self._ready.get(key)
        if found is None or found[0] is not personal:
            found = (personal, self._make(personal, state, lexicon))
            if len(self._ready) >= self._MOST:
                self._ready = {}  # a new dict: another thread may be reading the old one
            self._ready[key] = found
        return found[1]

    def clear(self) -> None:
        """Drop them all."""
        self._ready = {}

    def _make(
        self, personal: PersonalWords, state: State, lexicon: _kernel.Lexicon
    ) -> ReadyOverlay:
        if not isinstance(personal, PersonalWords):
            raise DecodeError(
                "are not complete",
                where="personal words",
                fix="give them version, overlay(state) and form(word), which may be None",
            )
        weight, log_probs = personal.overlay(state)
        if not weight <= 0 or not all(value <= 0 for value in log_probs.values()):
            raise DecodeError(
                "gave a log probability above 0 or NaN",
                where="personal words",
                field="overlay",
                fix="give natural logs of probabilities",
            )
        words, index = self._vocabulary.words, self._vocabulary.index
        known: list[tuple[int, float]] = []
        fresh: list[tuple[str, float]] = []
        for word, log_prob in log_probs.items():
            at = index(word)
            # A vocabulary may find a word however it is cased; the person's is known only as it stands there.
            if at is not None and words[at] == word:
                known.append((at, log_prob))
            else:
                fresh.append((word, log_prob))
        spelling = spell_words([word for word, _ in fresh], self._letters)
        kernel = _kernel.Overlay(
            lexicon,
            float(weight),
            np.asarray([i for i, _ in known], dtype=np.uint32),
            np.asarray([p for _, p in known], dtype=np.float64),
            spelling.letters,
            spelling.offsets,
            np.asarray([fresh[i][1] for i in spelling.word], dtype=np.float64),
        )
        return kernel, tuple(fresh[i][0] for i in spelling.word)


class Tries:
    """The tries of a pack over the letters of a layout; every letter assignment with the same letters shares them.

    Without context a word has the lexicon's own probability, and so the search with dense scores walks the same
    tries with other bounds. With a table the bounds speak of the table's unigrams, which differ: smoothing makes
    them the share of contexts a word follows. So there are two sets, each made when first used.
    """

    def __init__(self, parts: PackParts, letters: str) -> None:
        self.parts = parts
        self.letters = letters
        self.overlays = OverlayCache(parts.lexicon, letters)
        self._scores = lru_cache(_STATES)(self.make_scores)
        self._vectors = lru_cache(0)(self._vector)

    @cached_property
    def _spelling(self) -> SpelledWords:
        return spell_words(self.parts.lexicon.words, self.letters)

    @cached_property
    def _tokens(self) -> NDArray[np.uint32]:
        model = self.parts.ngram_model
        assert model is not None
        return np.ascontiguousarray(model.tokens(self.parts.lexicon.words), dtype=np.uint32)

    @cached_property
    def plain(self) -> _kernel.Lexicon:
        """Words with the lexicon's probabilities."""
        return self._lexicon(np.asarray(self.parts.lexicon.log_probs, dtype=np.float32))

    @cached_property
    def no_context(self) -> _kernel.DenseScores:
        """The lexicon's probabilities, where scores are asked for."""
        return _kernel.DenseScores(self.plain, np.asarray(self.parts.lexicon.log_probs, np.float32))

    @cached_property
    def contextual(self) -> _kernel.Lexicon:
        """Words with the table's unigram probabilities; the lexicon's for words the table lacks."""
        model = self.parts.ngram_model
        assert model is not None
        log_probs = np.array(self.parts.lexicon.log_probs, dtype=np.float32)
        known = self._tokens != model.table.unk
        log_probs[known] = model.table.log_probs((), np.ascontiguousarray(self._tokens[known]))
        return self._lexicon(log_probs)

    def _lexicon(self, log_probs: NDArray[np.float32]) -> _kernel.Lexicon:
        spelling = self._spelling
        try:
            return _kernel.Lexicon(
                spelling.letters,
                spelling.offsets,
                spelling.word,
                np.ascontiguousarray(log_probs[spelling.word]),
                len(self.letters),
                len(self.parts.lexicon),
            )
        except ValueError as fault:
            raise DecodeError(
                str(fault), where="pack", field="lexicon", fix="load the pack again, or another"
            ) from None

    def forget_recent(self) -> None:
        """Drop the vectors and overlays of recent states."""
        self._scores.cache_clear()
        self.overlays.clear()

    @property
    def n_bytes(self) -> int:
        """Memory of the tries made so far."""
        made = vars(self)
        return sum(made[name].n_bytes for name in ("plain", "contextual") if name in made)

    def scores(self, state: State) -> _kernel.DenseScores:
        """The language model's vector after a state, bound to `plain`; those of recent states are kept.

        Raises DecodeError for a vector of the wrong shape, one that holds no probabilities, and a state that cannot
        be hashed.
        """
        try:
            return self._scores(state)
        except TypeError:
            hash_of(state)
            raise

    def keep_vectors(self, states: int) -> None:
        """Keep the language model's vectors of so many states, four bytes a word each: for many decoders that answer
        for the same states in turn, and ask the model once."""
        self._vectors = lru_cache(states)(self._vector)

    def _vector(self, state: State) -> NDArray[np.float32]:
        found = self.parts.language_model.log_probs(state)
        return np.ascontiguousarray(found, dtype=np.float32)

    def make_scores(self, state: State) -> _kernel.DenseScores:
        """As `scores`, made afresh."""
        found = self._vectors(state)
        if found.shape != (len(self.parts.lexicon),):
            raise DecodeError(
                f"gave shape {found.shape} for {len(self.parts.lexicon)} words",
                where="language model",
                field="log_probs",
                fix="give a natural log probability for every word of the lexicon, in its order",
            )
        try:
            return _kernel.DenseScores(self.plain, found)
        except ValueError as fault:
            raise DecodeError(
                str(fault),
                where="language model",
                field="log_probs",
                fix="give natural logs of probabilities",
            ) from None

    def searcher(
        self,
        columns: NDArray[np.uint32],
        lm_weight: float,
        emitter: _kernel.Emitter | None,
        *,
        context: bool,
    ) -> _kernel.Searcher:
        """The search of one layout and touch model; with the table's contexts, where the pack has a table."""
        if context and self.parts.ngram_model is not None:
            table = self.parts.ngram_model.table
            return _kernel.Searcher(
                self.contextual, table, self._tokens, columns, lm_weight, emitter
            )
        return _kernel.Searcher(
            self.plain, None, np.zeros(0, np.uint32), columns, lm_weight, emitter
        )


def hash_of(state: State) -> int:
    """A state's hash, or a DecodeError that says whose fault it is that there is none."""
    try:
        return hash(state)
    except TypeError as fault:
        raise DecodeError(
            f"gave a state that cannot be hashed: {fault}",
            where="language model",
            field="advance",
            fix="make states of tuples, strings and numbers, or give their class a __hash__",
        ) from None
