"""Numbers and names of a report: what each measure of a ranking is called and how its figures are written."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from nearkey.simulate import Estimate


def percent(share: float) -> str:
    """A share in per cent, one decimal, without the sign."""
    return f"{100 * share:.1f}"


def signed(value: float, decimals: int = 1) -> str:
    """A `value` with its sign and so many `decimals`; what rounds to nothing has no sign."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def span(estimate: Estimate, form: Callable[[float], str]) -> str:
    """The ends of an `estimate`'s interval, written by `form`."""
    return f"{form(estimate.low)} to {form(estimate.high)}"


class RankedMeasure(NamedTuple):
    """A measure of a ranking: its name in a sentence, in a table, and how its figures are written.

    share : whether it is a share, written in per cent, whose differences are points. fewer_is_better : whether
    a smaller figure is the better.
    """

    name: str
    short: str
    decimals: int
    share: bool = False
    fewer_is_better: bool = False

    @property
    def scale(self) -> float:
        """What figures are multiplied by before they are shown."""
        return 100.0 if self.share else 1.0

    @property
    def unit(self) -> str:
        """The unit of a difference."""
        return "points" if self.share else self.short

    def value(self, figure: float) -> str:
        """A figure, without its unit."""
        return f"{self.scale * figure:.{self.decimals}f}"

    def change(self, difference: float) -> str:
        """A difference with its sign, without its unit."""
        return signed(self.scale * difference, self.decimals)


MEASURES = {
    **{f"top{k}": RankedMeasure(f"top-{k} accuracy", f"top-{k}", 1, share=True) for k in (1, 3, 5)},
    "kspc": RankedMeasure("keystrokes per character", "KSPC", 3, fewer_is_better=True),
    "wpm": RankedMeasure("predicted words per minute", "WPM", 1),
}
"""The measures of a ranking by their fields."""
