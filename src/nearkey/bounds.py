"""Bounds of what callers may ask for: numbers checked where they come in, before anything is sized by them."""

from __future__ import annotations

import operator
import os
from typing import SupportsIndex, cast

from nearkey.errors import NearkeyError

MOST_WORKERS = 1024
"""Threads or tasks one call may ask for: more than any machine has use for, less than any refuses to start."""


def shown(value: object) -> str:
    """A value as an error may tell it: cut to 40 characters."""
    try:
        text = repr(value)
    except ValueError:  # an int of more digits than Python writes
        return "a number of thousands of digits"
    return text if len(text) <= 40 else text[:37] + "..."


def whole_number(
    value: object,
    *,
    low: int,
    high: int,
    error: type[NearkeyError],
    where: str | os.PathLike[str] | None = None,
    field: str,
) -> int:
    """`value` as an int from `low` to `high`, both included.

    Parameters
    ----------
    value : an int, or anything that is one (numpy's integers); a bool, a float and a string are none.
    low, high : the bounds. error : class of what is raised. where, field : who was given it, and under which name.

    Raises `error` for anything else.
    """
    try:
        if isinstance(value, bool):
            raise TypeError
        number = operator.index(cast(SupportsIndex, value))
    except TypeError:
        number = low - 1
    if not low <= number <= high:
        raise error(
            f"{shown(value)} is out of range",
            where=where,
            field=field,
            fix=f"give a whole number from {low} to {high}",
        )
    return number
