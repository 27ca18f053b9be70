"""Capitals: what the person said with shift and capitals lock, over what the decoder wrote."""

from __future__ import annotations

from collections.abc import Sequence

from nearkey.session.pieces import Case

__all__ = ["cased"]


def cased(text: str, cases: Sequence[Case]) -> str:
    """The text with the case the person asked for; letters nobody spoke of stay as they are.

    cases : one for each letter touched, in order; the i-th speaks of the i-th letter of the text.
        "lower" on the first makes the whole word small. Letters past the last touch (a completion,
        a prediction) follow it where it was typed under capitals lock.
    """
    if not any(cases):
        return text
    if cases[0] == "lower":
        text = text.lower()
    shaped = []
    letter = 0
    for char in text:
        if not char.isalnum():
            shaped.append(char)
            continue
        if letter < len(cases):
            case: Case = cases[letter]
        else:
            case = "lock" if cases[-1] == "lock" else ""
        letter += 1
        shaped.append(_shape(char, case))
    return "".join(shaped)


def _shape(char: str, case: Case) -> str:
    if case == "":
        return char
    return char.lower() if case == "lower" else char.upper()
