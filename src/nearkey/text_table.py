"""Text tables for a terminal: columns under their heads, and figures with their intervals as cells."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from nearkey.errors import harmless
from nearkey.intervals import Estimate

MISSING = "-"
"""What stands where a figure is not defined."""

WIDEST = 80
"""Columns of a terminal that a table stays within."""


def text_table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    left: Collection[int] = (0,),
    rule: bool = False,
    named: int = 1,
) -> str:
    """Rows under their heads, columns two spaces apart, no spaces at the ends of lines.

    A table with heads that is wider than 80 columns goes on below itself, its first columns repeated.

    Parameters
    ----------
    heads : one for each column; none at all for rows without a line of heads.
    rows : as many cells each. Text stands as it is, with what would steer a terminal escaped; None as "-",
        anything else as `str` writes it: make figures text with the functions below.
    left : columns (counted from 0) set to the left; all others are set to the right.
    rule : a line of hyphens under the heads.
    named : how many first columns say what a row is of.
    """
    lines = [list(heads)] if heads else []
    lines += [[MISSING if cell is None else harmless(str(cell)) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    blocks: list[list[int]] = [list(range(len(widths)))]
    if heads and sum(widths) + 2 * len(widths) - 2 > WIDEST:
        first = list(range(named))
        blocks = [[*first]]
        for i in range(named, len(widths)):
            shown = [*blocks[-1], i]
            if len(shown) > named + 1 and sum(widths[j] + 2 for j in shown) - 2 > WIDEST:
                blocks.append([*first])
            blocks[-1].append(i)

    def block(columns: Sequence[int]) -> str:
        text = [
            "  ".join(
                line[i].ljust(widths[i]) if i in left else line[i].rjust(widths[i]) for i in columns
            ).rstrip()
            for line in lines
        ]
        if rule and heads:
            text.insert(1, "-" * max(map(len, text)))
        return "\n".join(text)

    return "\n\n".join(map(block, blocks))


class ResultTable(NamedTuple):
    """A result as heads and rows of text, for a terminal (`str`) and for a page alike; `left` as of `text_table`."""

    heads: Sequence[str]
    rows: Sequence[Sequence[object]]
    left: Collection[int] = (0,)

    def __str__(self) -> str:
        return text_table(self.heads, self.rows, left=self.left)


def within_width(text: str) -> str:
    """A text whose lines of prose are broken at spaces, to stay within 80 columns; lines of tables stay as they are.

    text : as a result writes it. A line in which spaces stand side by side twice is one of a table; once, they part a
        label from its text, which goes on below its own beginning.
    """
    lines: list[str] = []
    for line in text.split("\n"):
        gaps = [gap.end() for gap in re.finditer(r"(?<=\S)  +", line)]
        after = gaps[0] if gaps else len(line) - len(line.lstrip()) + 2
        if len(line) <= WIDEST or len(gaps) > 1 or after > WIDEST // 2:
            lines.append(line)
        else:
            lines += _broken(line, WIDEST, after=" " * after)
    return "\n".join(lines)


def _broken(line: str, width: int, *, after: str = "") -> list[str]:
    return textwrap.wrap(
        line, width, subsequent_indent=after, break_long_words=False, break_on_hyphens=False
    )


def field_lines(fields: Mapping[str, object]) -> str:
    """A line for each field, name and value; a field that is a mapping has a line for each of its own.

    Parameters
    ----------
    fields : names and values, in the order shown; values as `str` writes them, broken at spaces where they are long.
    """
    room = max(20, WIDEST - 2 - max(map(len, fields), default=0))
    return text_table(
        (),
        [
            (name if at == 0 else "", part)
            for name, value in fields.items()
            for shown in (
                [f"{inner}: {part}" for inner, part in value.items()]
                if isinstance(value, Mapping)
                else [str(value)]
            )
            for at, part in enumerate(_broken(shown, room) or [""])
        ],
        left=(0, 1),
    )


def number(
    value: float | None, digits: int = 2, *, sign: bool = False, percent: bool = False
) -> str:
    """A figure for a table; "-" where it is None or NaN.

    Parameters
    ----------
    value : the figure. digits : decimals. sign : write a plus, too. percent : a share, written in per cent
        without the mark, which belongs into the head.
    """
    if value is None or math.isnan(value):
        return MISSING
    return f"{100 * value if percent else value:{'+' if sign else ''}.{digits}f}"


def interval_text(
    estimate: Estimate, digits: int = 4, *, sign: bool = False, percent: bool = False
) -> str:
    """The ends of an interval, "[low, high]".

    Parameters
    ----------
    estimate : whose ends. digits, sign, percent : as of `number`.
    """
    low, high = (number(end, digits, sign=sign, percent=percent) for end in estimate[1:])
    return f"[{low}, {high}]"


def estimate_text(
    estimate: Estimate | None, digits: int = 2, *, sign: bool = False, percent: bool = False
) -> str:
    """A value and its interval, "value [low, high]"; the value alone where there is no interval, "-" where none.

    Parameters
    ----------
    estimate : what is written; None for a figure that is not defined. digits, sign, percent : as of `number`.
    """
    if estimate is None or not math.isfinite(estimate.low):
        value = None if estimate is None else estimate.value
        return number(value, digits, sign=sign, percent=percent)
    return (
        number(estimate.value, digits, sign=sign, percent=percent)
        + f" {interval_text(estimate, digits, sign=sign, percent=percent)}"
    )


def half_text(
    estimate: Estimate, digits: int = 3, *, sign: bool = False, percent: bool = False
) -> str:
    """A value with half the width of its symmetric interval, "value ± half".

    Parameters
    ----------
    estimate : what is written. digits, sign, percent : as of `number`; the half has no sign.
    """
    value = number(estimate.value, digits, sign=sign, percent=percent)
    return f"{value} ± {number(estimate.half, digits, percent=percent)}"


def p_value(value: float, *, relation: bool = False) -> str:
    """A p-value for a table: four decimals, "< 0.0001" below them, "-" for NaN.

    Parameters
    ----------
    value : the p-value. relation : write "= 0.0123" after a name, as "p", in running text.
    """
    if value < 0.0001:
        return "< 0.0001"
    return f"{'= ' if relation else ''}{number(value, 4)}"
