"""Options of a decoder."""

from __future__ import annotations

import math
from dataclasses import dataclass

import nearkey._kernel as _kernel
from nearkey.errors import DecodeError
from nearkey.layout import Layout

__all__ = ["EditCosts"]


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
    """

    omitted: float | None = None
    extra: float | None = None
    swapped: float | None = None
    completion: float | None = None

    def __post_init__(self) -> None:
        for name in ("omitted", "extra", "swapped", "completion"):
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

        Common practice, no source; `fit_edits` estimates them from aligned touches. A finished word
        is taken as seven times as likely as one that goes on.
        """
        return cls(
            omitted=math.log(0.01),
            extra=math.log(0.01) - math.log(layout.width * layout.height),
            swapped=math.log(0.005),
            completion=-2.0,
        )

    def kernel(self, *, completions: bool, window: float = math.inf) -> _kernel.Penalties:
        """The same as the kernel wants it; minus infinity is off. Words more than `window` nats below the
        first are not listed."""

        def cost(value: float | None) -> float:
            return -math.inf if value is None else value

        return _kernel.Penalties(
            cost(self.omitted),
            cost(self.extra),
            cost(self.swapped),
            cost(self.completion) if completions else -math.inf,
            window,
        )
