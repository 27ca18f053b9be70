"""The measures of text entry, each a ratio of counts, with its formula and source.

Abbreviations in the formulas: P presented text, T transcribed text, |X| length in characters,
MSD minimum string distance, S seconds from the first to the last keystroke, and of the keystrokes
C correct, INF incorrect and not fixed, IF incorrect but fixed, F fixes (see `count_trial` for how
they are counted). A measure whose denominator is zero is nan.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Any

from nearkey.errors import StudyLogError
from nearkey.study.phrase_counts import PhraseCounts


def ratio(above: float, below: float) -> float:
    """`above` over `below`; NaN for a denominator of zero."""
    return above / below if below else math.nan


class Rates(ABC):
    """Measures over `counts`: those of a phrase, or the pooled ones of many (ratio of sums)."""

    __slots__ = ()

    counts: PhraseCounts

    @property
    def wpm(self) -> float:
        """Words per minute: (|T| - 1) / S · 60 / 5.

        The first keystroke starts the clock, so its character is not timed; a word is five
        characters, spaces included, the one that closes the last word too where a keystroke put it
        there; wrong characters left in T count as much as right ones.
        Source: MacKenzie, "A note on calculating text entry speed", 2002.
        """
        return ratio(self.counts.timed * 60.0 / 5.0, self.counts.seconds)

    @property
    def kspc(self) -> float:
        """Keystrokes per character, as typed (dynamic): |IS| / |T|, IS the input stream.

        The key that closes the last word is in IS and the space it leaves in T, as the spaces of
        all other words are: perfect typing, one key a character, is 1.00.
        Source: Soukoreff & MacKenzie, CHI 2001 EA, and CHI 2003.
        """
        return ratio(self.counts.keystrokes, self.counts.entered)

    @property
    def gestures_per_character(self) -> float:
        """Actions per character: actions with a press of their own / |T|, T as in `kspc`.

        What reached a candidate by two presses is two keystrokes and one gesture; a commit that
        follows of itself is none. Source: Wobbrock, in Text Entry Systems (MacKenzie &
        Tanaka-Ishii, eds.), 2007, ch. 3 (from memory).
        """
        return ratio(self.counts.gestures, self.counts.entered)

    @property
    def keystroke_savings_percent(self) -> float:
        """Keystrokes saved against one a character: 100 · (|T| - keystrokes) / |T|, T as in `kspc`.

        Below zero where more keys were pressed than characters came out.
        Source: common practice in word prediction, no source.
        """
        return 100.0 * ratio(self.counts.entered - self.counts.keystrokes, self.counts.entered)

    @property
    def msd_error_percent(self) -> float:
        """MSD error rate over the longer string: 100 · MSD(P, T) / max(|P|, |T|).

        Source: Soukoreff & MacKenzie, CHI 2001 EA, 319-320.
        """
        return 100.0 * ratio(self.counts.incorrect_not_fixed, self.counts.longest)

    @property
    def msd_error_percent_aligned(self) -> float:
        """MSD error rate over alignments: 100 · MSD(P, T) / mean length of all optimal alignments.

        Source: MacKenzie & Soukoreff, NordiCHI 2002.
        """
        return 100.0 * ratio(self.counts.incorrect_not_fixed, self.counts.mean_alignment_length)

    @property
    def word_error_percent(self) -> float:
        """Word error rate: 100 · MSD in words (P, T) / words of P; it can exceed 100.

        Source: the usual measure of speech recognition, no single source.
        """
        return 100.0 * ratio(self.counts.word_errors, self.counts.words_presented)

    @property
    def total_error_percent(self) -> float:
        """Total error rate: 100 · (INF + IF) / (C + INF + IF). Soukoreff & MacKenzie, CHI 2003."""
        c = self.counts
        return 100.0 * ratio(c.incorrect_not_fixed + c.incorrect_fixed, self._entered)

    @property
    def corrected_error_percent(self) -> float:
        """Corrected error rate: 100 · IF / (C + INF + IF). Soukoreff & MacKenzie, CHI 2003."""
        return 100.0 * ratio(self.counts.incorrect_fixed, self._entered)

    @property
    def uncorrected_error_percent(self) -> float:
        """Uncorrected error rate: 100 · INF / (C + INF + IF). Soukoreff & MacKenzie, CHI 2003."""
        return 100.0 * ratio(self.counts.incorrect_not_fixed, self._entered)

    @property
    def correction_efficiency(self) -> float:
        """Errors fixed per fixing keystroke: IF / F. Soukoreff & MacKenzie, CHI 2003."""
        return ratio(self.counts.incorrect_fixed, self.counts.fixes)

    @property
    def conscientiousness(self) -> float:
        """Participant conscientiousness, the share of errors that were fixed: IF / (IF + INF).

        Source: Soukoreff & MacKenzie, CHI 2003.
        """
        c = self.counts
        return ratio(c.incorrect_fixed, c.incorrect_fixed + c.incorrect_not_fixed)

    @property
    def utilised_bandwidth(self) -> float:
        """Share of the input that ended as correct text: C / (C + INF + IF + F).

        Source: Soukoreff & MacKenzie, CHI 2003.
        """
        return ratio(self.counts.correct, self._entered + self.counts.fixes)

    @property
    def wasted_bandwidth(self) -> float:
        """The rest: (INF + IF + F) / (C + INF + IF + F). Soukoreff & MacKenzie, CHI 2003."""
        c = self.counts
        wasted = c.incorrect_not_fixed + c.incorrect_fixed + c.fixes
        return ratio(wasted, self._entered + c.fixes)

    @property
    def first_candidate_share(self) -> float:
        """Share of the words taken from a candidate list that stood first. Common practice."""
        return ratio(self.counts.ranks.get(0, 0), sum(self.counts.ranks.values()))

    @property
    def mean_rank(self) -> float:
        """Mean place, 1 the first, of the words taken from a candidate list. Common practice."""
        ranks = self.counts.ranks
        return ratio(sum((rank + 1) * n for rank, n in ranks.items()), sum(ranks.values()))

    @property
    def _entered(self) -> int:
        c = self.counts
        return c.correct + c.incorrect_not_fixed + c.incorrect_fixed

    def rates(self) -> dict[str, float]:
        """All measures by name, in the order of `METRICS`."""
        return {name: float(getattr(self, name)) for name in METRICS}

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Labels, measures and counts, flat."""


METRICS = tuple(
    name for name, one in vars(Rates).items() if isinstance(one, property) and name[0] != "_"
)
"""The measures by name, in the order written above."""

_BOUNDS = {
    "mean_rank": (1.0, math.inf),
    "keystroke_savings_percent": (-math.inf, 100.0),
    **dict.fromkeys(
        (
            "conscientiousness",
            "utilised_bandwidth",
            "wasted_bandwidth",
            "first_candidate_share",
        ),
        (0.0, 1.0),
    ),
    **{
        name: (0.0, 100.0)
        for name in METRICS
        if name.endswith(("error_percent", "aligned")) and not name.startswith("word")
    },
}


def metric_bounds(metric: str) -> tuple[float, float]:
    """The least and the greatest value a `metric` can have."""
    return _BOUNDS.get(metric, (0.0, math.inf))


def check_metric(metric: str) -> None:
    """Refuse a `metric` that is none: StudyLogError naming those there are."""
    if metric not in METRICS:
        raise StudyLogError(
            f"is {metric!r}", field="metric", fix=f"use one of {', '.join(METRICS)}"
        )
