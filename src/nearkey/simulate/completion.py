"""What completions save: keystrokes of a person who takes the word as soon as that is shortest.

Keystroke savings = 1 - keystrokes with prediction / keystrokes without (Trnka & McCoy, "Evaluating word prediction:
framing keystroke savings", ACL 2008; from memory). Theirs are the keystrokes of a keyboard that never errs, one a
character: against those, words that must be spelled count as lost keystrokes whether there are completions or
not, and a text with many of them shows savings below 0. So the same list without completions is measured too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder, State
from nearkey.intervals import Estimate, ratio
from nearkey.simulate.decoders.protocol import Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.plain_data import plain

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Completion:
    """Keystrokes with completions offered after every touch.

    savings : share of keystrokes saved against a keystroke a character, space included; below 0 where
        corrections cost more than completions save.
    spared : share of keystrokes that completions spare a person with the same decoder: the same touches, and
        the same list without them.
    kspc, kspc_without : keystrokes per character, with completions and without.
    early : share of words taken before their last letter. words : how many.
    """

    words: int
    savings: Estimate
    spared: Estimate
    kspc: Estimate
    kspc_without: Estimate
    early: float

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return cast(dict[str, Any], plain(self))


def completion_savings(
    decoder: Decoder,
    queries: Queries,
    words: list[str],
    spelled: NDArray[np.float64],
    selection: Selection,
    *,
    context: bool = True,
    different: int | None = None,
) -> Completion:
    """Type words touch by touch, the live list offering completions, and take each where it costs least.

    decoder : its live list is asked (`Decoder.candidates`); `edits.completion` must be set.
    spelled : keystrokes of letter-by-letter entry of each word (n,), for those never offered; see `Selection`.
    different : running words among `words` that differ, where some are typed again; see `intervals`.
    """
    plain_list = decoder.with_edits(replace(decoder.edits, completion=None))
    cost, without, early = np.zeros(len(words)), np.zeros(len(words)), 0
    for i, word in enumerate(words):
        touches = queries.touches(i)
        n = len(touches)
        state = queries.states[i] if context and queries.states is not None else None
        missed = float(n + 1 + spelled[i] + 1)
        steps = _steps(plain_list, touches, state, word, selection)
        without[i] = missed if steps is None else min(missed, n + steps + 1)
        best, taken = missed, n
        for t in range(1, n + 1):
            if t + 1 >= best:
                break
            steps = _steps(decoder, touches[:t], state, word, selection)
            if steps is not None and t + steps + 1 < best:
                best, taken = float(t + steps + 1), t
        cost[i] = best
        early += taken < n
    characters = np.fromiter((len(w) + 1 for w in words), np.float64, len(words))
    kspc = ratio(cost, characters, different=different)
    return Completion(
        len(words),
        _saved(kspc),
        _saved(ratio(cost, without, different=different)),
        kspc,
        ratio(without, characters, different=different),
        early / max(len(words), 1),
    )


def _steps(
    decoder: Decoder, touches: Floats, state: State | None, word: str, selection: Selection
) -> int | None:
    """Presses of next that choose a word in the live list; None where it is not there."""
    found = decoder.candidates(touches, context=state, k=selection.listed)
    # A word and its readings with a mark behind it are one word here.
    words = list(dict.fromkeys(candidate.word for candidate in found))
    if word not in words:
        return None
    return words.index(word) if selection.style == "next" else 0


def _saved(share: Estimate) -> Estimate:
    return Estimate(1 - share.value, 1 - share.high, 1 - share.low)
