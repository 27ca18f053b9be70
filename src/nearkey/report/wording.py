"""What a report calls things: measures and their figures, shapes of layouts; and which of the layouts it shows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import islice
from typing import NamedTuple

import numpy as np

from nearkey.layout import Layout
from nearkey.simulate import Estimate, RankResult


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


def shape_of(layout: Layout) -> str:
    """The shape of a layout's letter keys: "2 x 3" for a full grid of equal cells, else "26 keys"."""
    keys = layout.letter_keys
    size = np.array([(k.w, k.h) for k in keys])
    rows = _places([k.y for k in keys], layout.height)
    columns = _places([k.x for k in keys], layout.width)
    if np.allclose(size, size[0], rtol=1e-6) and len(keys) == rows * columns:
        return f"{rows} x {columns}"
    return f"{len(keys)} keys"


def _places(values: Sequence[float], extent: float) -> int:
    """How many different places the values name."""
    return 1 + int((np.diff(np.sort(values)) > 1e-6 * extent).sum())


def leading(result: RankResult, limit: int) -> list[str]:
    """Names of the first `limit` layouts of a `result`, and the baseline where it is not among them."""
    names = [row.layout for row in islice(result.rows, limit)]
    if result.baseline is not None and result.baseline not in names:
        names.append(result.baseline)
    return names


def drawn_layouts(result: RankResult, *, best: int = 3) -> list[tuple[str, str]]:
    """Names of the layouts of a `result` worth a picture, and why: the best few, the baseline, each shape's best."""
    noted: dict[str, list[str]] = {row.layout: [] for row in result.rows[:best]}
    if result.baseline is not None:
        noted.setdefault(result.baseline, []).append("the baseline")
    first_of: dict[str, str] = {}
    for row in result.rows:
        first_of.setdefault(shape_of(result.scored[row.layout].layout), row.layout)
    for shape, name in first_of.items():
        noted.setdefault(name, []).append(f"the best of shape {shape}")
    return [
        (row.layout, ", ".join([f"place {row.place}", *noted[row.layout]]))
        for row in result.rows
        if row.layout in noted
    ]
