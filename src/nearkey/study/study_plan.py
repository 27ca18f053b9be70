"""What comes before a study: phrases drawn from a text, balanced orders of conditions, and who types what, when."""

from __future__ import annotations

import math
import os
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from types import MappingProxyType
from typing import Any

import msgspec
import numpy as np

from nearkey.errors import PlanError
from nearkey.files import atomic_write
from nearkey.frames import Tabular
from nearkey.schema import convert, read_json
from nearkey.seeds import Seed, seed_number
from nearkey.text_table import text_table

_FORMAT = "nearkey-study-plan"
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


def williams_design(k: int) -> tuple[tuple[int, ...], ...]:
    """Orders of k conditions (numbered from 0) balanced for place and for what went before.

    Every condition stands equally often in every place, and every condition follows every other
    equally often: k orders for an even k, 2k for an odd one (the square and its mirror image).
    Raises PlanError for k < 1.
    Source: Williams, "Experimental designs balanced for the estimation of residual effects of
    treatments", 1949 (from memory; the balance is checked by the tests).
    """
    if k < 1:
        raise PlanError(f"is {k}", field="k", fix="give at least one condition")
    # 0, 1, k-1, 2, k-2, ...: neighbours differ by every step but 0 exactly once.
    first = [0]
    for i in range(1, k):
        first.append((i + 1) // 2 if i % 2 else k - i // 2)
    square = [tuple((place + row) % k for place in first) for row in range(k)]
    if k % 2 and k > 1:
        square += [order[::-1] for order in square]
    return tuple(square)


@dataclass(frozen=True, slots=True)
class BlockPlan:
    """One block: its phrases, typed without a break.

    `position`: place among the participant's blocks, from 1; `block`: the block's number within its
    condition, from 1 (a practice block carries the number of the block it precedes); `rest_s`:
    seconds to rest before it.
    """

    participant: str
    condition: str
    position: int
    block: int
    practice: bool
    rest_s: float
    phrases: tuple[str, ...]


@dataclass(frozen=True, slots=True, repr=False)
class StudyPlan(Tabular):
    """All blocks of a study, participant by participant in the order to be typed.

    `conditions`: as given; `seed`: of the draw; `balanced`: whether the orders of conditions are balanced over
    these participants.
    """

    conditions: tuple[str, ...]
    seed: int
    balanced: bool
    blocks: tuple[BlockPlan, ...]

    def of(self, participant: str) -> tuple[BlockPlan, ...]:
        """One participant's blocks in order; PlanError where the plan does not name them."""
        mine = tuple(block for block in self.blocks if block.participant == participant)
        if not mine:
            raise PlanError(
                f"{participant!r} is not in the plan", field="participant", fix="check the name"
            )
        return mine

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write as JSON to `path`, whole or not at all."""
        text = msgspec.json.format(msgspec.json.encode({"format": _FORMAT, **self.to_dict()}))
        with atomic_write(path, "wb") as file:
            file.write(text + b"\n")

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> StudyPlan:
        """Read what `write` wrote to `path`; PlanError with file and fault otherwise."""
        where, fix = os.fspath(path), "make the plan again"
        fields = read_json(path, PlanError, fix=fix)
        if not isinstance(fields, dict) or fields.pop("format", None) != _FORMAT:
            raise PlanError(
                f"is not {_FORMAT!r}", where=where, field="format", fix="name a study plan"
            )
        return convert(fields, cls, error=PlanError, where=where, fix=fix)

    def to_dicts(self) -> list[dict[str, Any]]:
        """A row for each phrase, in the order in which they are to be typed."""
        return [
            {**asdict(block), "phrases": len(block.phrases), "trial": trial, "phrase": phrase}
            for block in self.blocks
            for trial, phrase in enumerate(block.phrases, start=1)
        ]

    def to_dict(self) -> dict[str, Any]:
        """Plain values, for a file."""
        return asdict(self)

    def __str__(self) -> str:
        heads = ("participant", "place", "condition", "block", "phrases", "rest before (s)")
        rows = [
            (
                block.participant,
                block.position,
                block.condition,
                "practice" if block.practice else block.block,
                len(block.phrases),
                f"{block.rest_s:g}",
            )
            for block in self.blocks
        ]
        lines = [text_table(heads, rows)]
        if not self.balanced:
            rows_needed = len(williams_design(len(self.conditions)))
            lines.append(
                f"caution: orders are balanced only for a multiple of {rows_needed} participants"
            )
        return "\n".join(lines)


def plan_study(
    participants: Sequence[str],
    conditions: Sequence[str],
    phrases: Sequence[str],
    *,
    seed: Seed,
    blocks: int = 4,
    phrases_per_block: int = 10,
    practice_phrases: int = 2,
    rest_s: float = 120.0,
) -> StudyPlan:
    """Plan a within-participants study: everyone types `blocks` blocks under every condition.

    Parameters
    ----------
    participants, conditions : their names, each once. phrases : the pool.
    seed : of everything drawn. blocks : under each condition. phrases_per_block : of measured blocks.
    practice_phrases : before the first block of a condition. rest_s : seconds.

    Participants are dealt, in random order, the orders of a Williams design. Everyone gets phrases
    from the whole pool in an order of their own and never the same phrase twice. `practice_phrases`
    come before the first block of a condition; `rest_s` seconds of rest before every block but the
    first. The numbers are ones to change: strain grows with a session's length.

    Raises PlanError for too few phrases, repeated names, or numbers out of range.
    """
    seed = seed_number(seed)
    _check_names("participants", participants)
    _check_names("conditions", conditions)
    if blocks < 1 or phrases_per_block < 1 or practice_phrases < 0 or rest_s < 0:
        raise PlanError(
            "blocks and phrases_per_block below 1, or a negative number",
            field="blocks",
            fix="give whole numbers from 1 up (practice_phrases and rest_s from 0)",
        )
    pool = list(dict.fromkeys(phrases))
    needed = len(conditions) * (practice_phrases + blocks * phrases_per_block)
    if len(pool) < needed:
        raise PlanError(
            f"{needed} different phrases needed for each participant, {len(pool)} given",
            field="phrases",
            fix="draw more phrases, or plan fewer blocks",
        )
    rng = np.random.default_rng(seed)
    orders = williams_design(len(conditions))
    dealt = rng.permutation(len(participants))
    planned: list[BlockPlan] = []
    for place, participant in enumerate(participants):
        order = orders[int(dealt[place]) % len(orders)]
        deck = iter([pool[i] for i in rng.permutation(len(pool))])
        position = 0
        for condition in (conditions[i] for i in order):
            sizes = [(1, True, practice_phrases)] if practice_phrases else []
            sizes += [(block, False, phrases_per_block) for block in range(1, blocks + 1)]
            for block, practice, size in sizes:
                position += 1
                planned.append(
                    BlockPlan(
                        participant=participant,
                        condition=condition,
                        position=position,
                        block=block,
                        practice=practice,
                        rest_s=0.0 if position == 1 else rest_s,
                        phrases=tuple(next(deck) for _ in range(size)),
                    )
                )
    return StudyPlan(tuple(conditions), seed, len(participants) % len(orders) == 0, tuple(planned))


def _check_names(field: str, names: Sequence[str]) -> None:
    if not names or len(set(names)) != len(names):
        raise PlanError("empty, or a name is repeated", field=field, fix="give distinct names")
