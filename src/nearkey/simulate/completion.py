"""What completions save: keystrokes of a person who takes the word as soon as that is shortest.

Keystroke savings = 1 - keystrokes with prediction / keystrokes without (Trnka & McCoy, "Evaluating word prediction:
framing keystroke savings", ACL 2008; from memory). Theirs are the keystrokes of a keyboard that never errs, one a
character: against those, words that must be spelled count as lost keystrokes whether there are completions or
not, and a text with many of them shows savings below 0. So the same list without completions is measured too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np

from nearkey.intervals import Estimate, ratio
from nearkey.simulate.columns import Floats
from nearkey.simulate.decoders.protocol import Faults, LiveLists, Queries
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.plain_data import plain


@dataclass(frozen=True, slots=True)
class Completion:
    """Keystrokes with completions offered after every touch.

    savings : share of keystrokes saved against a keystroke a character, space included; below 0 where
        corrections cost more than completions save.
    spared : share of keystrokes that completions spare a person with the same decoder: the same touches, and
        the same list without them.
    kspc, kspc_without : keystrokes per character, with completions and without.
    early : share of words taken before their last letter: as completions. words : how many.
    faults : what the decoder did wrong; `to_dict` leaves it out.
    """

    words: int
    savings: Estimate
    spared: Estimate
    kspc: Estimate
    kspc_without: Estimate
    early: float
    faults: Faults

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return cast(dict[str, Any], plain(self, leave_out=("faults",)))


def completion_savings(
    lists: LiveLists,
    queries: Queries,
    words: Sequence[str],
    spelled: Floats,
    selection: Selection,
    *,
    different: int | None = None,
) -> Completion:
    """Type words touch by touch, the live list offering completions, and take each where it costs least.

    lists : the decoder, asked for live lists with and without completions. A list it owes holds no word.
    spelled : keystrokes of letter-by-letter entry of each word (n,), for those never offered; see `Selection`.
    different : running words among `words` that differ, where some are typed again; see `intervals`.
    """
    faults = Faults()

    def places(asked: Queries, meant: Sequence[str], *, completions: bool) -> Floats:
        """Presses of next that choose each word in its live list; infinite where it is not there."""
        found = lists.answer_live(asked, selection.k, completions=completions)
        faults.include(found.faults)
        number = {text: i for i, text in enumerate(found.words)}
        at = np.asarray([number.get(word, -2) for word in meant])
        listed = found.index == at[:, None]
        steps = listed.argmax(axis=1) if selection.style == "next" else np.zeros(len(at))
        return np.where(listed.any(axis=1), steps, np.inf)

    touches = np.asarray(np.diff(queries.offsets.astype(np.int64)), dtype=np.int64)
    missed = touches + 1 + spelled + 1
    without = np.minimum(missed, touches + places(queries, words, completions=False) + 1)
    cost, taken = missed.astype(np.float64), touches.copy()
    for t in range(1, int(touches.max(initial=0)) + 1):
        # Whoever has a place at which a word costs no more than this touch and a space looks no further.
        rows = np.flatnonzero((touches >= t) & (t + 1 < cost)).tolist()
        if not rows:
            break
        meant = [words[i] for i in rows]
        now = t + 1 + places(queries.beginnings(rows, t), meant, completions=True)
        better = now < cost[rows]
        taken[np.asarray(rows)[better]] = t
        cost[rows] = np.minimum(cost[rows], now)
    characters = np.fromiter((len(w) + 1 for w in words), np.float64, len(words))
    kspc = ratio(cost, characters, different=different)
    return Completion(
        len(words),
        _saved(kspc),
        _saved(ratio(cost, without, different=different)),
        kspc,
        ratio(without, characters, different=different),
        int((taken < touches).sum()) / max(len(words), 1),
        faults,
    )


def _saved(share: Estimate) -> Estimate:
    return Estimate(1 - share.value, 1 - share.high, 1 - share.low)
