"""One layout typing one chunk of words: the unit of work that executors carry out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder
from nearkey.simulate.entry_speed import Speed
from nearkey.simulate.keystrokes import Selection
from nearkey.simulate.typist import Typist
from nearkey.simulate.words import WordSample

__all__ = ["Outcome", "run_trial"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What happened to each word of a chunk.

    rank : (n,) place of the intended word among the candidates from 1, 0 where it was not among them.
    first : (n,) lexicon index of the first candidate, -1 where there was none.
    keystrokes, seconds : (n,) by the selection and speed models.
    """

    rank: NDArray[np.int64]
    first: NDArray[np.int64]
    keystrokes: NDArray[np.float64]
    seconds: NDArray[np.float64]


def run_trial(
    decoder: Decoder,
    typist: Typist,
    words: WordSample,
    *,
    seed: np.random.SeedSequence,
    selection: Selection,
    speed: Speed,
    threads: int = 1,
) -> Outcome:
    """Type the words with `seed`'s luck, decode them, and place each intended word among the candidates."""
    typing = typist.type(words.index, np.random.default_rng(seed))
    k = max(5, selection.listed)
    found, _ = decoder.decode_batch(
        typing.points, typing.offsets, contexts=words.states, k=k, threads=threads
    )
    matches = found == words.index[:, None]
    rank = np.where(matches.any(axis=1), matches.argmax(axis=1) + 1, 0).astype(np.int64)
    touches = typing.touches
    keystrokes = selection.keystrokes(touches, rank, typist.spelled_keystrokes(words.index))
    seconds = speed.words_s(
        typist.movement_s(typing, speed), touches, keystrokes, rank, selection.listed
    )
    return Outcome(rank, found[:, 0].astype(np.int64), keystrokes, seconds)
