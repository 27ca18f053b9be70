"""What the decoder answers with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Candidate", "Kind"]

Kind = Literal["word", "edited", "completion", "prediction", "spelled"]


@dataclass(frozen=True, slots=True)
class Candidate:
    """One reading of the touches.

    text : as it would be written, cased.
    word : as the lexicon has it.
    log_prob : log_touch + log_language; natural log, not normalised over candidates.
    log_touch : log density of the touches under the keys of the word, edit penalties included.
    log_language : lm_weight x log P(word | context).
    kind : "word"; "edited" (a touch missing, too many, or two swapped); "completion"; "prediction"
        (no touch yet); "spelled" (letters that make no known word).
    """

    text: str
    word: str
    log_prob: float
    log_touch: float
    log_language: float
    kind: Kind
