"""Which candidates belong together: layouts of one shape differ only in their letters."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

import numpy as np

from nearkey.layout import Layout
from nearkey.simulate import RankResult


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
