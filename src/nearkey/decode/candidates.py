"""What the decoder answers with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

Kind = Literal["word", "edited", "completion", "prediction", "spelled"]


class Candidate(NamedTuple):
    """One reading of the touches.

    text : as it would be written, cased.
    word : as the lexicon has it.
    log_prob : log_touch + log_language; natural log, not normalised over candidates.
    log_touch : log density of the touches under the keys of the word, edit penalties included.
    log_language : lm_weight x log P(word | context).
    index : the word's place in the lexicon; None where it has none (the person's own, spelled, marks alone).
    kind : "word"; "edited" (a touch missing, too many, or two swapped); "completion"; "prediction"
        (no touch yet); "spelled" (letters that make no known word).

    A named tuple, because a live list makes several of them at every touch.
    """

    text: str
    word: str
    log_prob: float
    log_touch: float
    log_language: float
    kind: Kind
    index: int | None = None  # type: ignore[assignment]  # in the place of tuple.index


@dataclass(frozen=True, slots=True)
class Sentence:
    """One reading of a sentence's touches.

    text : the words with spaces between them, cased where the pack knows how.
    words : as the lexicon has them. spans : for each word, its first touch and the one after its last.
    log_prob, log_touch, log_language : natural logs; spaces count as touches.
    """

    text: str
    words: tuple[str, ...]
    spans: tuple[tuple[int, int], ...]
    log_prob: float
    log_touch: float
    log_language: float
