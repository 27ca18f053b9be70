"""Parts of one's own that go to other processes, and what is done with them there."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np

from nearkey.decode import Decoder


class Doubling:
    """A language model of one's own: another's, of which one word is all but certain."""

    def __init__(self, model: Any, favourite: int) -> None:
        self.model = model
        self.favourite = favourite

    def start(self) -> Any:
        return self.model.start()

    def advance(self, state: Any, word: str) -> Any:
        return self.model.advance(state, word)

    def log_probs(self, state: Any) -> np.ndarray[Any, Any]:
        found = self.model.log_probs(state) - np.float32(3.0)
        found[self.favourite] = -0.1
        return found

    def log_unknown(self, state: Any) -> float:
        return self.model.log_unknown(state) - 3.0


class Locked(Doubling):
    """One that holds what cannot be pickled."""

    def __init__(self, model: Any, favourite: int) -> None:
        super().__init__(model, favourite)
        self.lock = threading.Lock()


def read(decoder: Decoder, points: Any) -> list[tuple[str, float]]:
    """What a decoder reads, in whatever process this runs."""
    return [(c.text, c.log_prob) for c in decoder.candidates(points, context="we set", k=4)]


def pack_says(pack: Any) -> list[float]:
    """The first of a pack's language probabilities, in whatever process this runs."""
    model = pack.language_model
    return [float(p) for p in model.log_probs(model.start())[:20]]
