"""A person's words laid over the pack's, as the kernel takes them."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

import nearkey._kernel as _kernel
from nearkey.decode.protocols import State
from nearkey.decode.spelling import spell_words
from nearkey.errors import DecodeError

__all__ = ["OverlayCache", "PersonalWords", "ReadyOverlay"]


class PersonalWords(Protocol):
    """A person's words: P'(w | h) = exp(keep) P(w | h) + exp(log_prob[w]) for the words named,
    exp(keep) P(w | h) for all others."""

    @property
    def version(self) -> Hashable:
        """Changes whenever the answer could."""

    def overlay(self, state: State) -> tuple[float, Mapping[str, float]]:
        """keep (0 or less) and the log probability of each of the person's words, in a state."""


@dataclass(frozen=True, slots=True)
class ReadyOverlay:
    """An overlay bound to one lexicon. Word number n_words + j of a hit is `new_words[j]`."""

    kernel: _kernel.Overlay
    new_words: tuple[str, ...]


class OverlayCache:
    """Overlays of recent states, so that the touches of one word share one."""

    _MOST = 16

    def __init__(self, words: Sequence[str], letters: str) -> None:
        self._words = words
        self._letters = letters
        self._position: dict[str, int] | None = None
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

    def _make(
        self, personal: PersonalWords, state: State, lexicon: _kernel.Lexicon
    ) -> ReadyOverlay:
        keep, log_probs = personal.overlay(state)
        if not keep <= 0 or not all(value <= 0 for value in log_probs.values()):
            raise DecodeError(
                "gave a log probability above 0 or NaN",
                where="personal words",
                field="overlay",
                fix="give natural logs of probabilities",
            )
        if self._position is None:
            self._position = {word: i for i, word in enumerate(self._words)}
        known = [(self._position[w], p) for w, p in log_probs.items() if w in self._position]
        fresh = [(w, p) for w, p in log_probs.items() if w not in self._position]
        spelling = spell_words([w for w, _ in fresh], self._letters)
        kernel = _kernel.Overlay(
            lexicon,
            float(keep),
            np.asarray([i for i, _ in known], dtype=np.uint32),
            np.asarray([p for _, p in known], dtype=np.float64),
            spelling.letters,
            spelling.offsets,
            np.asarray([fresh[i][1] for i in spelling.word], dtype=np.float64),
        )
        return ReadyOverlay(kernel, tuple(fresh[i][0] for i in spelling.word))
