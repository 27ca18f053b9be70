"""Checks a certificate of optimality with code of its own: it imports nothing of the search, and no kernel.

The tree parts the space into boxes (for each letter, the keys open to it). The checker walks it from the whole space,
keeps what follows from the space's rules, and counts words with a dictionary of key sequences: every box that the tree
leaves out has a bound no better than the certificate's, by the words given to it. A box called empty must be so by the
rules alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


class CertificateFault(Exception):
    """The certificate does not prove what it says."""


def check_certificate(
    data: Mapping[str, Any],
    words: Sequence[str],
    share: Sequence[float],
    *,
    tolerance: float = 1e-9,
) -> int:
    """Check a certificate; the number of boxes counted.

    Parameters
    ----------
    data : as read from its JSON.
    words : in the space's letters, the most probable first. share : their probabilities.
    tolerance : for sums in another order.

    Raises
    ------
    CertificateFault
        Where the best layout is not of the space, has another value, or a box may hold a better one than the bound.
    """
    space, measure = data["space"], data["measure"]
    letters: str = space["letters"]
    sign = -1.0 if measure == "kspc" else 1.0
    best = list(data["best"])
    if any(k not in own for k, own in zip(best, space["domains"], strict=True)):
        raise CertificateFault("the best layout has a letter on a key that is closed to it")
    whole = _narrow([{k} for k in best], space)
    if whole is None:
        raise CertificateFault("the best layout breaks a rule of the space")
    if abs(_count(best, letters, words, share, measure) - data["value"]) > tolerance:
        raise CertificateFault("the best layout has another value")
    limit = sign * data["bound"] + tolerance
    if sign * data["value"] > limit:
        raise CertificateFault("the bound is worse than the best layout")
    counted = 0
    todo: list[tuple[list[set[int]], Any]] = [
        ([set(own) for own in space["domains"]], data["tree"])
    ]
    while todo:
        given, node = todo.pop()
        box = _narrow(given, space)
        if node[0] == "split":
            at, half = letters.index(node[1]), set(node[2])
            for keys, below in ((given[at] & half, node[3]), (given[at] - half, node[4])):
                part = [set(own) for own in (box or given)]
                part[at] &= keys
                todo.append((part, below))
        elif node[0] == "empty":
            if box is not None:
                raise CertificateFault("a box called empty is not")
        elif node[0] == "bound":
            if box is None:
                continue
            counted += 1
            partial = [next(iter(own)) if len(own) == 1 else None for own in box]
            if sign * _count(partial, letters, words, share, measure) > limit:
                raise CertificateFault("a box may hold a better layout")
        else:
            raise CertificateFault(f"{node[0]!r} is no node")
    return counted


def _count(
    keys: Sequence[int | None],
    letters: str,
    words: Sequence[str],
    share: Sequence[float],
    measure: str,
) -> float:
    """The measure where letters without a key have one of their own."""
    code = {
        letter: chr(64 + (200 + i if k is None else k))
        for i, (letter, k) in enumerate(zip(letters, keys, strict=True))
    }
    table = str.maketrans(code)
    seen: dict[str, int] = {}
    top = presses = characters = 0.0
    most = 3 if measure == "top3" else 1
    for word, p in zip(words, share, strict=True):
        typed = word.translate(table)
        above = seen.get(typed, 0)
        seen[typed] = above + 1
        top += p if above < most else 0.0
        presses += p * (len(word) + above + 1)
        characters += p * (len(word) + 1)
    return presses / characters if measure == "kspc" else top


def _narrow(box: Sequence[set[int]], space: Mapping[str, Any]) -> list[set[int]] | None:
    """What the rules leave open; None where they leave a letter, or a key, nothing."""
    found = [set(own) for own in box]
    column, rows = space["column"], space["rows"]
    least, most = space["sizes"]
    n_keys, n = len(space["keys"]), len(found)
    while True:
        if any(not own for own in found):
            return None
        before = [len(own) for own in found]
        if space["rule"] == "ordered":
            for i in range(1, n):
                if rows[i] != rows[i - 1]:
                    continue
                a, b = found[i - 1], found[i]
                found[i - 1] = {k for k in a if any(k == m or column[k] < column[m] for m in b)}
                found[i] = {m for m in b if any(k == m or column[k] < column[m] for k in a)}
                if not found[i] or not found[i - 1]:
                    return None
        for one in space["together"]:
            shared = set.intersection(*(found[i] for i in one))
            for i in one:
                found[i] = set(shared)
        for one in space["groups"]:
            shared = set.intersection(*(found[i] for i in one))
            for i in range(n):
                if i in one:
                    found[i] = set(shared)
                elif len(shared) == 1:
                    found[i] -= shared
        for one in space["apart"]:
            for i in one:
                if len(found[i]) == 1:
                    for j in one:
                        if j != i:
                            found[j] -= found[i]
        for k in range(n_keys):
            sure = sum(own == {k} for own in found)
            able = sum(k in own for own in found)
            if sure > most or able < least:
                return None
            for own in found:
                if len(own) > 1 and sure == most:
                    own.discard(k)
            if able == least:
                for i, own in enumerate(found):
                    if k in own:
                        found[i] = {k}
        if [len(own) for own in found] == before:
            return None if any(not own for own in found) else found
