"""Lines of an ARPA file as bytes, many at a time: Python's own formatting is what writing would wait for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.language.building.backoff import FloatArray
from nearkey.language.building.tree import IntArray

__all__ = ["TokenBytes", "arpa_rows", "decimals"]

Bytes = NDArray[np.uint8]
WIDTH = 9
_TAB, _NEWLINE, _POINT, _MINUS, _ZERO = b"\t\n.-0"


@dataclass(frozen=True, slots=True)
class TokenBytes:
    """The tokens' texts in UTF-8, each with a space before it, one after another."""

    data: Bytes
    start: IntArray
    length: IntArray

    @classmethod
    def of(cls, tokens: Sequence[str]) -> TokenBytes:
        encoded = [b" " + token.encode("utf-8") for token in tokens]
        length = np.array([len(text) for text in encoded], dtype=np.int64)
        start = np.concatenate(([0], np.cumsum(length)[:-1]))
        return cls(np.frombuffer(b"".join(encoded), dtype=np.uint8), start, length)


def decimals(values: FloatArray) -> Bytes:
    """Numbers between -100 and 10 as 9 characters each, ``(n, 9)``: ``-1.234567``, ``-12.34567``,
    ``0.1234567``."""
    size = np.abs(values)
    below_zero = values <= 0
    two = below_zero & (np.rint(size * 1e6) >= 1e7)
    places = np.where(below_zero, np.where(two, 5, 6), 7)
    digits = np.rint(size * 10.0**places).astype(np.int64)
    out = np.empty((len(values), WIDTH), dtype=np.uint8)
    point = np.where(below_zero, np.where(two, 3, 2), 1)
    for column in range(WIDTH - 1, -1, -1):
        quotient = digits // 10
        out[:, column] = digits - 10 * quotient + _ZERO
        at_point = point == column
        out[at_point, column] = _POINT
        digits = np.where(at_point, digits, quotient)
    out[below_zero, 0] = _MINUS
    return out


def arpa_rows(
    log10: FloatArray,
    tokens: IntArray,
    texts: TokenBytes,
    backoff: FloatArray | None = None,
    has_backoff: NDArray[np.bool_] | None = None,
) -> Bytes:
    """``log10 <tab> token … token [<tab> back-off] <newline>`` for each row of `tokens` ``(n, k)``."""
    order = tokens.shape[1]
    lengths = texts.length[tokens]
    ends = WIDTH + np.cumsum(lengths, axis=1)
    size = ends[:, -1] + 1
    if has_backoff is not None:
        size = size + np.where(has_backoff, WIDTH + 1, 0)
    starts = np.cumsum(size) - size
    out = np.empty(int(size.sum()), dtype=np.uint8)
    number = np.arange(WIDTH)
    out[starts[:, None] + number] = decimals(log10)
    for column in range(order):
        length = lengths[:, column]
        target = starts + ends[:, column] - length
        step = np.arange(int(length.sum())) - np.repeat(np.cumsum(length) - length, length)
        source = np.repeat(texts.start[tokens[:, column]], length) + step
        out[np.repeat(target, length) + step] = texts.data[source]
        if column == 0:
            out[target] = _TAB
    if backoff is not None and has_backoff is not None:
        at = (starts + ends[:, -1])[has_backoff]
        out[at] = _TAB
        out[at[:, None] + 1 + number] = decimals(backoff[has_backoff])
    out[starts + size - 1] = _NEWLINE
    return out
