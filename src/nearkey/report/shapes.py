"""Which candidates belong together: layouts of one shape differ only in their letters."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

import numpy as np

from nearkey.layout import Layout
from nearkey.simulate import RankResult

__all__ = ["drawn_layouts", "leading", "shape_of"]


def shape_of(layout: Layout) -> str:
    """The shape of a layout's letter keys: "2 x 3" for a full grid of equal cells, else "26 keys"."""
    keys = layout.letter_keys
    size = np.array([(k.w, k.h) for k in keys])
    tops = _distinct([k.y for k in keys], layout.height)
    lefts = _distinct([k.x for k in keys], layout.width)
    equal = np.allclose(size, size[0], rtol=1e-6)
    if equal and len(keys) == len(tops) * len(lefts):
        return f"{len(tops)} x {len(lefts)}"
    return f"{len(keys)} keys"


def _distinct(values: Sequence[float], extent: float) -> list[float]:
    found: list[float] = []
    for value in sorted(values):
        if not found or value - found[-1] > 1e-6 * extent:
            found.append(value)
    return found


def leading(result: RankResult, most: int) -> list[str]:
    """Names of the first `most` layouts, and the baseline where it is not among them."""
    names = [row.layout for row in islice(result.rows, most)]
    if result.baseline is not None and result.baseline not in names:
        names.append(result.baseline)
    return names


def drawn_layouts(result: RankResult, *, best: int = 3) -> list[tuple[str, str]]:
    """Names of the layouts worth a picture and why: the best few, the baseline, the best of each shape."""
    why: dict[str, list[str]] = {}
    for row in islice(result.rows, best):
        why.setdefault(row.layout, []).append(f"place {row.place}")
    if result.baseline is not None:
        why.setdefault(result.baseline, []).append("the baseline")
    seen: set[str] = set()
    for row in result.rows:
        shape = shape_of(result.scored[row.layout].layout)
        if shape not in seen:
            seen.add(shape)
            why.setdefault(row.layout, []).append(f"the best of shape {shape}")
    places = {row.layout: row.place for row in result.rows}
    names = sorted(why, key=lambda name: places[name])
    return [(name, _reason(places[name], why[name])) for name in names]


def _reason(place: int, parts: Sequence[str]) -> str:
    if parts[0].startswith("place"):
        return ", ".join(parts)
    return ", ".join([f"place {place}", *parts])
