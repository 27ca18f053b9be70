"""Numbers and sentences of a report."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from nearkey.simulate import Estimate

__all__ = ["fixed", "measure_form", "measure_unit", "percent", "points", "signed", "span"]


def percent(share: float) -> str:
    """A share in per cent, one decimal, without the sign."""
    return f"{100 * share:.1f}"


def points(share: float) -> str:
    """A difference of shares in percentage points, with its sign."""
    return signed(100 * share, 1)


def fixed(value: float, decimals: int) -> str:
    """A number with so many decimals."""
    return f"{value:.{decimals}f}"


def signed(value: float, decimals: int) -> str:
    """A number with its sign; what rounds to nothing has none."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def span(estimate: Estimate, form: Callable[[float], str]) -> str:
    """The ends of an interval."""
    return f"{form(estimate.low)} to {form(estimate.high)}"


def measure_form(measure: str, *, difference: bool = False) -> Callable[[float], str]:
    """How values of a measure, or their differences, are written."""
    if measure.startswith("top"):
        return points if difference else percent
    decimals = 3 if measure == "kspc" else 1
    return partial(signed, decimals=decimals) if difference else partial(fixed, decimals=decimals)


def measure_unit(measure: str) -> str:
    """The unit of a difference."""
    return "points" if measure.startswith("top") else measure.upper()
