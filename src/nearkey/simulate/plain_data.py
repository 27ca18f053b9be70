"""Results as plain data: what files and `to_dict` hold."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from nearkey.intervals import Estimate, rounded


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


def _part(value: Any) -> Any:
    return value.to_dict() if hasattr(value, "to_dict") else plain(value)
