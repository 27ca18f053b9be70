"""Results as plain data: what files and `to_dict` hold."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar, cast

from nearkey.errors import PlanError
from nearkey.intervals import Estimate, rounded

Row = TypeVar("Row")


def plain(value: Any, *, leave_out: Collection[str] = ()) -> Any:
    """A result as dicts, lists, text and numbers.

    Figures have nine digits; what could not be measured is None. An estimate is its value, low and high, or None
    as a whole where it has no value; a dataclass its fields, but those named in `leave_out`. Parts that have a
    `to_dict` are what that says.
    """
    if isinstance(value, Estimate):
        return plain(value._asdict()) if math.isfinite(value.value) else None
    if isinstance(value, float):
        return rounded(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(name): _part(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [_part(one) for one in value]
    if is_dataclass(value):
        names = (field.name for field in fields(value) if field.name not in leave_out)
        return {name: _part(getattr(value, name)) for name in names}
    return value


class PlainData:
    """A dataclass that is its fields as plain data."""

    __slots__ = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain data: dicts, lists, text and numbers; each estimate as value, low, high."""
        return cast(dict[str, Any], plain(self))


def row_named(rows: Iterable[Row], name: str, *, field: str = "layout") -> Row:
    """The row of which `field` is this name; PlanError, saying which there are, where there is none."""
    found = {str(getattr(row, field)): row for row in rows}
    if name not in found:
        problem = f"no layout is named {name!r}" if field == "layout" else f"{name!r} is no {field}"
        known = ", ".join([*found][:12]) or "none: give people"
        raise PlanError(problem, field=field, fix=f"there are {known}")
    return found[name]


def _part(value: Any) -> Any:
    return value.to_dict() if hasattr(value, "to_dict") else plain(value)
