"""A person's words laid over the pack's, as the kernel takes them."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

import nearkey._kernel as _kernel
from nearkey.decode.protocols import PersonalWords, State, Vocabulary
from nearkey.decode.spelling import spell_words
from nearkey.errors import DecodeError

ReadyOverlay = tuple[_kernel.Overlay, tuple[str, ...]]
"""An overlay bound to one set of tries, and its new words: word number n_words + j of a hit is the j-th of them."""


class OverlayCache:
    """Overlays of recent states, so that the touches of one word share one."""

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
