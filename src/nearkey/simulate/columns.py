"""Records kept as columns: dataclasses whose arrays, tuples and parts are all of one length."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Record = TypeVar("Record")


def select_rows(record: Record, rows: Any, *, keep: Collection[str] = ()) -> Record:
    """Some of the rows of a dataclass of columns.

    rows : a mask, an index, or a slice (tuples are cut by slices alone). keep : fields that are no columns; text,
        numbers and None stay as they are.
    """

    def cut(value: Any) -> Any:
        if is_dataclass(value):
            return select_rows(value, rows)
        return value[rows] if isinstance(value, np.ndarray | tuple) else value

    names = [f.name for f in fields(record) if f.name not in keep]  # type: ignore[arg-type]
    return replace(record, **{name: cut(getattr(record, name)) for name in names})  # type: ignore[type-var]


def join_rows(parts: Sequence[Record]) -> Record:
    """The rows of all parts, one after another; what is no array is taken from the first."""
    first = parts[0]
    joined = {}
    for name in (f.name for f in fields(first)):  # type: ignore[arg-type]
        values = [getattr(part, name) for part in parts]
        if is_dataclass(values[0]):
            joined[name] = join_rows(values)
        elif isinstance(values[0], np.ndarray):
            joined[name] = np.concatenate(values)
    return replace(first, **joined)  # type: ignore[type-var]
