"""Drawing the phrases of a study from a person's own text, or from any corpus at hand."""

from __future__ import annotations

import math
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from nearkey.errors import PlanError
from nearkey.seeds import Seed, seed_number

_END_MARKS = ".!?;:, "


@dataclass(frozen=True, slots=True)
class PhraseDraw:
    """The phrases drawn, and how.

    `seed`: of the draw; `considered`: lines read; `dropped`: reason -> lines; `usable`: different lines that were left.
    `letter_correlation`: Pearson's r of the letter frequencies of the phrases with those of all
    lines, nan where it is not defined; a set of phrases should look like the language it stands
    for (MacKenzie & Soukoreff, "Phrase sets for evaluating text entry techniques", CHI 2003 EA).
    Phrases from somebody's mail or notes are private text: ask, and read them before you show them.
    """

    phrases: tuple[str, ...]
    seed: int
    considered: int
    usable: int
    dropped: Mapping[str, int]
    letter_correlation: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values, for a file."""
        return {
            "phrases": list(self.phrases),
            "seed": self.seed,
            "considered": self.considered,
            "usable": self.usable,
            "dropped": dict(self.dropped),
            "letter_correlation": self.letter_correlation,
        }

    def __str__(self) -> str:
        dropped = ", ".join(f"{count} {reason}" for reason, count in self.dropped.items())
        return (
            f"{len(self.phrases)} phrases of {self.usable} usable ones in {self.considered} lines"
            f" (dropped: {dropped or 'none'}); letter frequencies r = {self.letter_correlation:.3f}"
        )


def draw_phrases(
    lines: Iterable[str],
    n_phrases: int,
    *,
    seed: Seed,
    min_chars: int = 16,
    max_chars: int = 43,
    min_words: int = 3,
    max_words: int = 9,
    lower: bool = True,
    alphabet: str | None = None,
    unigram: Callable[[str], float] | None = None,
    min_log_prob: float = math.log(1e-6),
    exclude: Iterable[str] = (),
) -> PhraseDraw:
    """Draw `n_phrases` different phrases from `lines`, one phrase a line, without replacement.

    A line is brought to NFC, its white space to single spaces, marks at its end are taken off, and
    with `lower` it is put in lower case. It is dropped, and counted, if it

    - holds anything but letters and spaces (letters of `alphabet` where given),
    - has fewer than `min_chars` or more than `max_chars` characters, `min_words` or `max_words` words,
    - holds an unfamiliar word: `unigram(word)`, a natural log probability, below `min_log_prob`
      (default one in a million words; common practice, no source),
    - is in `exclude`, or a repetition.

    The same lines, options and seed give the same phrases. Raises PlanError where fewer than `n_phrases`
    lines are left, saying what dropped them.
    """
    seed = seed_number(seed)
    if n_phrases < 1:
        raise PlanError(f"is {n_phrases}", field="n_phrases", fix="draw at least one phrase")
    taken_out = {_tidy(line, lower) for line in exclude}
    allowed = None if alphabet is None else set(alphabet) | {" "}
    reasons: Counter[str] = Counter()
    usable: dict[str, None] = {}
    corpus: Counter[str] = Counter()
    considered = 0

    def fault(phrase: str) -> str | None:
        words = phrase.split()
        if not all(
            c in allowed if allowed is not None else c.isalpha() or c == " " for c in phrase
        ):
            return "with other than letters"
        if not (min_chars <= len(phrase) <= max_chars and min_words <= len(words) <= max_words):
            return "too short or too long"
        if unigram is not None and any(unigram(word) < min_log_prob for word in words):
            return "with an unfamiliar word"
        if phrase in taken_out:
            return "excluded"
        return "repeated" if phrase in usable else None

    for line in lines:
        considered += 1
        phrase = _tidy(line, lower)
        corpus.update(c for c in phrase if c.isalpha())
        reason = fault(phrase)
        if reason:
            reasons[reason] += 1
        else:
            usable[phrase] = None
    dropped = MappingProxyType(dict(sorted(reasons.items())))
    if len(usable) < n_phrases:
        why = ", ".join(f"{count} {reason}" for reason, count in dropped.items()) or "no lines"
        raise PlanError(
            f"{n_phrases} phrases asked for, {len(usable)} usable in {considered} lines ({why})",
            field="lines",
            fix="give more text or loosen the bounds",
        )
    pool = list(usable)
    places = np.random.default_rng(seed).choice(len(pool), size=n_phrases, replace=False)
    phrases = tuple(pool[i] for i in places)
    return PhraseDraw(phrases, seed, considered, len(pool), dropped, _correlation(phrases, corpus))


def _tidy(line: str, lower: bool) -> str:
    text = " ".join(unicodedata.normalize("NFC", line).split()).rstrip(_END_MARKS)
    return text.lower() if lower else text


def _correlation(phrases: tuple[str, ...], corpus: Counter[str]) -> float:
    letters = sorted(corpus)
    drawn = Counter(c for phrase in phrases for c in phrase)
    x = np.array([corpus[c] for c in letters], dtype=np.float64)
    y = np.array([drawn[c] for c in letters], dtype=np.float64)
    if len(letters) < 2 or x.std() == 0 or y.std() == 0:
        return math.nan
    return float(np.corrcoef(x, y)[0, 1])
