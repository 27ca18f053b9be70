"""From a contact to what it means: a touch, or a stroke in one of four directions."""

from __future__ import annotations

import math

from nearkey.lab.lab_messages import LabAction
from nearkey.lab.lab_plan import StrokeTable


def stroke_action(
    strokes: StrokeTable, start: tuple[float, float], end: tuple[float, float] | None
) -> LabAction | None:
    """What a contact from `start` to `end` (mm on the pad, y downwards) does by the map; None for a touch.

    A contact shorter than ``strokes.min_mm`` is a touch. A stroke has the direction nearest to it; exactly between
    two, the horizontal one.
    """
    if end is None:
        return None
    dx, dy = end[0] - start[0], end[1] - start[1]
    if math.hypot(dx, dy) < strokes.min_mm:
        return None
    if abs(dx) >= abs(dy):
        return strokes.right if dx > 0 else strokes.left
    return strokes.down if dy > 0 else strokes.up
