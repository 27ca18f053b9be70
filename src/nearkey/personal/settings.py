"""How fast a store of personal words learns, how much it is believed, how large it may grow."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nearkey.personal.errors import PersonalError

__all__ = ["WordSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WordSettings:
    """Settings of a `PersonalLanguage`.

    half_life_words : words typed after which a count is worth half.
    enter_after : confirmations after which a word the lexicon lacks is offered.
    caution : words of the pack's opinion mixed into the person's at each order of context (word
        alone, after one word, after two): a Dirichlet prior of that many words. The larger, the
        slower a few words move anything.
    start_weight : weight of the person's words against the pack before anything is known.
    start_words : how many typed words that first guess is worth.
    max_weight : the learnt weights are clipped here, so that the pack always keeps a say.
    max_words, max_phrases : words, and phrases of two or three words, kept; the most used stay.
    max_offered : words named in one overlay; what it costs the decoder grows with it.
    undo_words : the last so many confirmed words can be retracted exactly.

    Raises `PersonalError` naming a field that is out of range.
    """

    half_life_words: float = 2000.0
    enter_after: int = 2
    caution: tuple[float, float, float] = (30.0, 4.0, 2.0)
    start_weight: float = 0.15
    start_words: float = 10.0
    max_weight: float = 0.8
    max_words: int = 5000
    max_phrases: int = 20_000
    max_offered: int = 3000
    undo_words: int = 200

    def __post_init__(self) -> None:
        for name, low in (("half_life_words", 50.0), ("start_words", 0.0)):
            _number(name, getattr(self, name), low, math.inf)
        _number("max_weight", self.max_weight, 0.0, 0.99)
        _number("start_weight", self.start_weight, 0.0, self.max_weight)
        if len(self.caution) != 3:
            raise PersonalError(
                f"has {len(self.caution)} values", field="caution", fix="give three numbers above 0"
            )
        for value in self.caution:
            _number("caution", value, 1e-6, math.inf)
        for name in ("enter_after", "max_words", "max_phrases", "max_offered"):
            _count(name, getattr(self, name), 1)
        _count("undo_words", self.undo_words, 0)


def _number(name: str, value: float, low: float, high: float) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        top = "" if high == math.inf else f" to {high:g}"
        raise PersonalError(f"is {value}", field=name, fix=f"give a number from {low:g}{top}")


def _count(name: str, value: int, low: int) -> None:
    if not (isinstance(value, int) and not isinstance(value, bool) and value >= low):
        raise PersonalError(f"is {value!r}", field=name, fix=f"give a whole number from {low}")
