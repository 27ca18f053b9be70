"""The table of rankings by finger width."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from nearkey.intervals import Estimate

if TYPE_CHECKING:
    from nearkey.simulate.finger_widths import WidthRanking

__all__ = ["width_table"]


def width_table(found: WidthRanking) -> str:
    """Two tables as text: a line a width; then a line for each width's best, the baseline and the one for all."""
    first = found.results[0]
    head = ["finger mm", "best", found.by, "95 %", "lead on next", "95 %"]
    head += [f"loss of {found.one_for_all}", "95 %"]
    lines = [
        [
            f"{row.width_mm:g}",
            row.best,
            f"{row.value.value:.4f}",
            _range(row.value),
            "" if row.lead is None else f"{row.lead.value:.4f}",
            "" if row.lead is None else _range(row.lead),
            f"{row.loss.value:.4f}",
            _range(row.loss),
        ]
        for row in found.rows
    ]
    mean = ["mean", "", "", "", "", "", f"{found.mean_loss.value:.4f}", _range(found.mean_loss)]
    shown = [*found.winners]
    shown += [n for n in (found.one_for_all, first.baseline) if n is not None and n not in shown]
    across = [["layout", *(f"{w:g} mm" for w in found.widths_mm)]]
    for name in shown:
        across.append([name, *map(_cell, found.places(name), found.losses(name))])
    return "\n".join(
        [
            *_aligned([head, *lines, mean], left=1),
            "",
            "Place at each width, and the loss to the best there (~: no loss within the 95 % interval)",
            *_aligned(across, left=0),
            f"{len(first.sample)} words on each of {len(first.rows)} layouts at each width, seed "
            f"{first.seed}: the same words and luck everywhere, losses paired.",
            f"{found.one_for_all} loses least over the widths, each weighing the same.",
        ]
    )


def _cell(place: int, loss: Estimate) -> str:
    if place == 1:
        return "1"
    return f"{place} ({loss.value:.4f}{'~' if loss.low <= 0 else ''})"


def _range(estimate: Estimate) -> str:
    return f"[{estimate.low:.4f}, {estimate.high:.4f}]"


def _aligned(rows: Sequence[Sequence[str]], *, left: int) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.ljust(w) if i == left else cell.rjust(w)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]
