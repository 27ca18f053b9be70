"""Options of a decoder."""

from __future__ import annotations

import math
from dataclasses import dataclass

import nearkey._kernel as _kernel
from nearkey.errors import DecodeError

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

    def kernel(self, *, completions: bool) -> _kernel.Penalties:
        """The same as the kernel wants it; minus infinity is off."""

        def cost(value: float | None) -> float:
            return -math.inf if value is None else value

        return _kernel.Penalties(
            cost(self.omitted),
            cost(self.extra),
            cost(self.swapped),
            cost(self.completion) if completions else -math.inf,
        )
