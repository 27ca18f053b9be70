"""Which keys the touches of a confirmed word were meant for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from nearkey.decode.candidates import Candidate
from nearkey.decode.spelling import SILENT, spell

__all__ = ["key_shares", "meant", "typed_letters"]

# Readings whose touches are one a letter, in order.
_PLAIN = ("word", "spelled")


def typed_letters(word: str, letters: str, n_touches: int) -> str | None:
    """The letters that n touches type of a word, one each; None where they cannot.

    letters : all that can be typed. A mark inside the word (don't) may have its own touch, where the layout
    has its key, or none.
    """
    for form in (word, "".join(c for c in word if c not in SILENT)):
        typed = spell(form, letters) if form else None
        if typed is not None and len(typed) == n_touches:
            return typed
    return None


def meant(word: str, candidates: Sequence[Candidate], *, doubt: float) -> dict[str, float]:
    """P(each word was meant | the touches, and that `word` was confirmed).

    The person confirms what she meant with probability 1 - doubt, else any other reading of the
    list alike: P(v | confirmed w) is proportional to P(v | touches) times (1 - doubt) for w, and
    times doubt / (number of the others) for each other. `candidates` gives P(v | touches) up to a
    factor; a word that is not among them is believed with 1 - doubt.
    """
    scores = {c.word: c.log_prob for c in candidates if c.kind in _PLAIN}
    if word not in scores or len(scores) < 2:
        return {word: 1.0 - doubt}
    top = max(scores.values())
    others = doubt / (len(scores) - 1)
    joint = {
        v: np.exp(score - top) * ((1.0 - doubt) if v == word else others)
        for v, score in scores.items()
    }
    total = sum(joint.values())
    return {v: float(share / total) for v, share in joint.items()}


def key_shares(
    words: Mapping[str, float], column: Mapping[str, int], *, n_touches: int, n_keys: int
) -> NDArray[np.float64] | None:
    """P(touch i was meant for key k), (n_touches, n_keys); rows sum to 1 or less.

    column : column of each letter's key in the touch model. None where no word of the list is typed
    by that many touches.
    """
    shares = np.zeros((n_touches, n_keys))
    for word, share in words.items():
        typed = typed_letters(word, "".join(column), n_touches)
        if typed is not None:
            for i, letter in enumerate(typed):
                shares[i, column[letter]] += share
    return shares if shares.any() else None
