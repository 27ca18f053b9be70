"""Plain text tables for a terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = ["number", "origin_line", "p_value", "plain_table"]


def number(value: float | None, digits: int = 2) -> str:
    """A figure for a table; "-" where it is not defined."""
    if value is None or math.isnan(value):
        return "-"
    return f"{value:.{digits}f}"


def p_value(value: float) -> str:
    """A p-value for a table, after "p"."""
    if math.isnan(value):
        return "-"
    return "< 0.0001" if value < 0.0001 else f"{value:.4f}"


def origin_line(origins: Sequence[str]) -> list[str]:
    """A line that names logs not typed by persons; none where all are."""
    if tuple(origins) in ((), ("person",)):
        return []
    return [f"origin of the logs: {', '.join(origins)}"]


def plain_table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns under their heads: the first column to the left, the others to the right."""
    widths = [max(len(row[i]) for row in (heads, *rows)) for i in range(len(heads))]
    lines = []
    for row in (heads, *rows):
        cells = [
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)
