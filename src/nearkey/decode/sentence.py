"""Whole sentences from touches whose spaces are noisy or missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Sentence
from nearkey.decode.layout_columns import mean_density
from nearkey.decode.protocols import State
from nearkey.errors import DecodeError

if TYPE_CHECKING:
    from nearkey.decode.decoder import Decoder

__all__ = ["decode_sentence"]

MISSING_SPACE = math.log(0.02)
"""How often a space gets no touch where there are space keys; common practice, no source."""

_UNKNOWN, _SPACE, _LETTER = 0, 1, 2


def decode_sentence(
    decoder: Decoder,
    events: ArrayLike | Sequence[Any],
    state: State | None,
    k: int,
    *,
    missing_space: float | None,
    width: int,
    words: int,
    reach: float,
) -> list[Sentence]:
    """See `Decoder.decode_sentence`."""
    if k < 1 or width < 1 or words < 1:
        raise DecodeError(
            "must be 1 or more",
            where="decode_sentence",
            field="k, width, words",
            fix="give larger numbers",
        )
    if not reach > 0:
        raise DecodeError(
            f"{reach} keeps nothing",
            where="decode_sentence",
            field="reach",
            fix="give nats above 0",
        )
    points, boundary = _split(events)
    rows = decoder.rows(points)
    if len(rows) == 0:
        return []
    spaces = decoder.columns.spaces
    if missing_space is None:
        # Where no space can be typed, all are missing.
        missing_space = 0.0 if not spaces and not boundary.any() else MISSING_SPACE
    if not missing_space <= 0:
        raise DecodeError(
            f"{missing_space} is no log probability",
            where="decode_sentence",
            field="missing_space",
            fix="give 0 or less",
        )
    space = np.zeros(0)
    if spaces:
        space = np.ascontiguousarray(mean_density(decoder.key_densities(rows), spaces))
    elif boundary.any():
        space = np.full(len(rows), -np.inf)
    speller = decoder.speller
    found = _kernel.decode_sentence(
        decoder.searcher,
        None if speller is None else speller.kernel,
        rows,
        () if state is None else state,
        k,
        decoder.penalties,
        space,
        boundary,
        float(missing_space),
        width,
        words,
        float(reach),
    )
    out = []
    for total, touch, language, parts in found:
        text = tuple(
            speller.text(word)
            if isinstance(word, bytes) and speller is not None
            else decoder.pack.lexicon.words[int(word)]
            for word, _, _, _ in parts
        )
        shown = [decoder.shown(text[0], state), *(decoder.shown(word, None) for word in text[1:])]
        out.append(
            Sentence(
                " ".join(shown),
                text,
                tuple((first, last) for _, first, last, _ in parts),
                total,
                touch,
                language,
            )
        )
    return out


def _split(events: ArrayLike | Sequence[Any]) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Touches, and for each what is known of it. A certain space becomes a touch of its own at the origin,
    whose place does not count."""
    if isinstance(events, np.ndarray):
        return events.astype(np.float64).reshape(-1, 2), np.zeros(0, np.uint8)
    points: list[Any] = []
    known: list[int] = []
    for event in cast(Sequence[Any], events):
        if isinstance(event, str):
            if event != " ":
                raise DecodeError(
                    f"{event!r} is neither a touch nor a space",
                    where="decode_sentence",
                    field="events",
                    fix='give (x, y), or " " for a certain space',
                )
            # Spaces before the first word and after another space say nothing.
            if known and known[-1] != _SPACE:
                points.append((0.0, 0.0))
                known.append(_SPACE)
        else:
            points.append(event)
            known.append(_UNKNOWN)
    if known and known[-1] == _SPACE:
        points.pop()
        known.pop()
    boundary = np.asarray(known, dtype=np.uint8)
    return np.asarray(points, dtype=np.float64).reshape(-1, 2), (
        boundary if boundary.any() else np.zeros(0, np.uint8)
    )
