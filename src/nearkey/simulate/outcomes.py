"""What became of each word a decoder was asked for, and the measures of any group of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.intervals import Estimate, proportion, ratio, rounded
from nearkey.simulate.decoders.protocol import Answers, Posterior
from nearkey.simulate.words import count_different
from nearkey.simulate.workload import Workload
from nearkey.study import string_distance

__all__ = ["TOP", "GroupScore", "WordOutcomes", "place_answers", "plain"]

Floats = NDArray[np.float64]

TOP = (1, 3, 5, 10)
"""Lengths of list whose accuracy is reported."""


@dataclass(frozen=True, slots=True)
class WordOutcomes:
    """One value a word, (n,) each.

    rank : place of the word meant among the texts, from 1; 0 where it was not listed.
    distance : edits between the word meant and the first text ("" where there was none).
    characters : of the word meant, without the space. keystrokes : by the selection model, space included.
    posterior : see `Posterior`; None where the decoder gives no probabilities.
    origin : see `Workload`.
    """

    rank: NDArray[np.int64]
    distance: NDArray[np.int64]
    characters: NDArray[np.int64]
    keystrokes: Floats
    posterior: Posterior | None
    origin: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.rank)


def place_answers(
    answers: Answers, workload: Workload
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rank of the word meant in each list, and edits from the first text to it, (n,) each."""
    own = answers.words is workload.lexicon
    if own:
        target = workload.index
    else:
        place = {text: i for i, text in enumerate(answers.words)}
        known = [place.get(text, -1) for text in workload.vocabulary]
        target = np.asarray(known, dtype=np.int64)[workload.word]
    matches = (answers.index == target[:, None]) & (target[:, None] >= 0)
    rank = np.where(matches.any(axis=1), matches.argmax(axis=1) + 1, 0).astype(np.int64)
    distance = np.zeros(len(rank), dtype=np.int64)
    seen: dict[tuple[int, int], int] = {}
    for i in np.flatnonzero(rank != 1).tolist():
        pair = (int(workload.word[i]), int(answers.index[i, 0]))
        if pair not in seen:
            seen[pair] = string_distance(workload.text(i), answers.first(i))
        distance[i] = seen[pair]
    return rank, distance


@dataclass(frozen=True, slots=True)
class GroupScore:
    """Measures of a group of words, with 95 % intervals.

    top : length of list -> share of words listed within it. found : share listed at all. mean_rank : of those.
    kspc : keystrokes per character, corrections and spaces included (noisy KSPC).
    character_error_rate : edits that the first texts need, per character meant (Levenshtein; no spaces).
    bits_per_character : -log2 of the probability of the word meant, per character, space included; over the words
        that could be given any; None where the decoder gives no probabilities.
    """

    words: int
    top: dict[int, Estimate]
    found: Estimate
    mean_rank: Estimate
    kspc: Estimate
    character_error_rate: Estimate
    bits_per_character: Estimate | None

    @classmethod
    def of(cls, outcomes: WordOutcomes, members: NDArray[np.bool_]) -> GroupScore:
        """The measures of the words marked in `members`, (n,)."""
        rank = outcomes.rank[members]
        n = len(rank)
        characters = outcomes.characters[members].astype(np.float64)
        listed = rank[rank > 0].astype(np.float64)
        different = count_different(outcomes.origin, members)
        bits = None
        if outcomes.posterior is not None:
            log_prob = outcomes.posterior.target[members]
            possible = np.isfinite(log_prob)
            if possible.any():
                given = members & np.isfinite(outcomes.posterior.target)
                bits = ratio(
                    -log_prob[possible] / math.log(2.0),
                    characters[possible] + 1,
                    different=count_different(outcomes.origin, given),
                )
        nothing = Estimate(math.nan, math.nan, math.nan)
        return cls(
            words=n,
            top={
                k: proportion(int(((rank > 0) & (rank <= k)).sum()), n, different=different)
                for k in TOP
            },
            found=proportion(len(listed), n, different=different),
            mean_rank=ratio(
                listed,
                np.ones(len(listed)),
                different=count_different(outcomes.origin, members & (outcomes.rank > 0)),
            )
            if len(listed)
            else nothing,
            kspc=ratio(outcomes.keystrokes[members], characters + 1, different=different)
            if n
            else nothing,
            character_error_rate=ratio(
                outcomes.distance[members].astype(np.float64), characters, different=different
            )
            if n
            else nothing,
            bits_per_character=bits,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain data; what could not be measured is null."""
        return {
            "words": self.words,
            **{f"top{k}": plain(estimate) for k, estimate in self.top.items()},
            "found": plain(self.found),
            "mean_rank": plain(self.mean_rank),
            "kspc": plain(self.kspc),
            "character_error_rate": plain(self.character_error_rate),
            "bits_per_character": plain(self.bits_per_character),
        }


def plain(estimate: Estimate | None) -> dict[str, float | None] | None:
    """An estimate as value, low, high; None for one that could not be made."""
    if estimate is None or not math.isfinite(estimate.value):
        return None
    return {
        name: rounded(value) if math.isfinite(value) else None
        for name, value in estimate._asdict().items()
    }
