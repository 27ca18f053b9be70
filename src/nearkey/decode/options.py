"""Options of a decoder."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel
from nearkey.bounds import whole_number
from nearkey.errors import DecodeError
from nearkey.layout import Layout

MOST_CANDIDATES = 1_000_000
"""The longest list that may be asked for: longer than any lexicon."""

COMPLETION = math.log(1 / 6)
"""What an unfinished word costs in a list. Not how probable it is that a word goes on: the language model knows
that, however many touches there are. It weighs what a missing place costs: who finds a finished word missing has to
spell it, who finds an unfinished one missing has to touch on. Keystrokes hardly change between 1/4 and 1/10."""

COMPLETION_FIRST = math.log(1 / 20)
"""The same for the first place, which a space takes, looked at or not: an unfinished word must be twenty times as
probable as the best finished reading. Lower spares wrong words, and costs whoever reads the list a press more often."""


def candidate_count(k: object, where: str, field: str = "k") -> int:
    """A number of candidates as asked for; DecodeError where it is none from 1 to `MOST_CANDIDATES`."""
    if type(k) is int and 0 < k <= MOST_CANDIDATES:  # each tap asks
        return k
    return whole_number(k, low=1, high=MOST_CANDIDATES, error=DecodeError, where=where, field=field)


@dataclass(frozen=True, slots=True)
class EditCosts:
    """What an edit costs, in natural logs; None switches it off. At most one edit a word.

    omitted : a letter got no touch. log of its rate.
    extra : a touch meant no letter: log of its rate plus the log density of such a touch
        (in layout units, like the touch model's; a uniform touch over the surface has
        ``-log(width * height)``).
    swapped : two neighbouring letters touched in the other order. log of its rate.
    completion : the word goes on after the last touch; what an unfinished word costs against a
        finished one.
    completion_first : the same for the first place of a live list, which a space or a mark takes; no
        less than `completion` is charged. None: an unfinished word is first only where nothing else is.
    """

    omitted: float | None = None
    extra: float | None = None
    swapped: float | None = None
    completion: float | None = None
    completion_first: float | None = COMPLETION_FIRST

    def __post_init__(self) -> None:
        for name in ("omitted", "extra", "swapped", "completion", "completion_first"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise DecodeError(
                    f"{value} is not a finite natural log",
                    where="EditCosts",
                    field=name,
                    fix="give a finite number, or None to switch the edit off",
                )

    @classmethod
    def typical(cls, layout: Layout) -> EditCosts:
        """Costs before any data: 1 touch in 100 is missing, 1 in 100 means nothing, 1 pair in 200 is swapped.

        Common practice, no source; `fit_edits` estimates them from aligned touches. An unfinished word is
        listed as if it were six times less probable, and is first as if twenty times less.
        """
        return cls(
            omitted=math.log(0.01),
            extra=math.log(0.01) - math.log(layout.width * layout.height),
            swapped=math.log(0.005),
            completion=COMPLETION,
        )

    @property
    def completion_lead(self) -> float:
        """How many nats more an unfinished word is charged for the first place than for the others."""
        if self.completion is None or self.completion_first is None:
            return math.inf
        return max(0.0, self.completion - self.completion_first)

    def kernel(
        self,
        *,
        completions: bool,
        window: float = math.inf,
        hidden: NDArray[np.uint8] | None = None,
    ) -> _kernel.Penalties:
        """The same as the kernel wants it; minus infinity is off. Words more than `window` nats below the
        first are not listed; those that are 1 in `hidden`, only where they were touched letter by letter."""

        def cost(value: float | None) -> float:
            return -math.inf if value is None else value

        return _kernel.Penalties(
            cost(self.omitted),
            cost(self.extra),
            cost(self.swapped),
            cost(self.completion) if completions else -math.inf,
            window,
            lead=self.completion_lead if completions else 0.0,
            hidden=hidden,
        )
