"""What completions save: keystrokes of a person who takes the word as soon as that is shortest.

Keystroke savings = 1 - keystrokes with prediction / keystrokes without, the latter one a character and one for
the space (Trnka & McCoy, "Evaluating word prediction: framing keystroke savings", ACL 2008; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder
from nearkey.simulate.decoders.protocol import Queries
from nearkey.simulate.intervals import Estimate, ratio, rounded
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.outcomes import plain

__all__ = ["Completion", "completion_savings"]


@dataclass(frozen=True, slots=True)
class Completion:
    """Keystrokes with completions offered after every touch.

    savings : share of keystrokes saved against a keystroke a character, space included.
    kspc : keystrokes per character. early : share of words taken before their last letter. words : how many.
    """

    words: int
    savings: Estimate
    kspc: Estimate
    early: float

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "words": self.words,
            "savings": plain(self.savings),
            "kspc": plain(self.kspc),
            "early": rounded(self.early),
        }


def completion_savings(
    decoder: Decoder,
    queries: Queries,
    words: list[str],
    spelled: NDArray[np.float64],
    selection: Selection,
    *,
    context: bool = True,
) -> Completion:
    """Type words touch by touch, the decoder offering completions, and take each where it costs least.

    decoder : its `edits.completion` must be set. spelled : keystrokes of letter-by-letter entry of
    each word (n,), for those never offered; see `Selection`.
    """
    cost, early = np.zeros(len(words)), 0
    for i, word in enumerate(words):
        touches = queries.touches(i)
        n = len(touches)
        state = queries.states[i] if context and queries.states is not None else None
        best, taken = float(n + 1 + spelled[i] + 1), n
        for t in range(1, n + 1):
            if t + 1 >= best:
                break
            found = decoder.decode(touches[:t], context=state, k=selection.listed, completions=True)
            for place, candidate in enumerate(found):
                if candidate.word == word:
                    steps = place if selection.style == "next" else 0
                    if t + steps + 1 < best:
                        best, taken = float(t + steps + 1), t
                    break
        cost[i] = best
        early += taken < n
    characters = np.fromiter((len(w) + 1 for w in words), np.float64, len(words))
    kspc = ratio(cost, characters)
    savings = Estimate(1 - kspc.value, 1 - kspc.high, 1 - kspc.low)
    return Completion(len(words), savings, kspc, early / max(len(words), 1))
