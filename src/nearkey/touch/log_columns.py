"""The columns of a touch log: their names, their kinds, and the checks of their cells."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from typing import Any, Literal, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError
from nearkey.touch.key_geometry import Floats

Texts = NDArray[np.str_]

Unit: TypeAlias = Literal["layout", "mm"]
"""Of a log's x and y: units of the layout, or millimetres."""

REQUIRED = ("participant", "session", "trial", "order", "time_s", "x", "y", "target")
OPTIONAL = ("width_mm", "posture", "device")
TEXTS = frozenset({"participant", "session", "target", "posture", "device"})
INTEGERS = frozenset({"trial", "order"})
FLOATS = frozenset({"time_s", "x", "y", "width_mm"})
_MAY_BE_MISSING = frozenset({"time_s", "width_mm"})


_Column = TypeVar("_Column")


def current_names(columns: Mapping[str, _Column]) -> dict[str, _Column]:
    """Columns under today's names: "participant" was "person" in logs written before."""
    older = "person" if "participant" not in columns else None
    return {"participant" if name == older else name: cells for name, cells in columns.items()}


def filled(columns: Mapping[str, Any], n: int) -> dict[str, Any]:
    """Columns `(n,)`; what is given once stands for every row, and what a touch log needs besides x and y and is not
    given is one person, one sitting, rows in order, no times, no targets."""
    absent: dict[str, Any] = {
        "participant": "",
        "session": "",
        "trial": 0,
        "order": np.arange(n),
        "time_s": np.nan,
        "target": "",
    }
    return {
        name: np.full(n, value) if np.ndim(value) == 0 else value
        for name, value in (absent | dict(columns)).items()
    }


class RowNames:
    """Names rows in errors."""

    def __init__(self, n: int, places: Sequence[str] | None, where: str | None) -> None:
        self.n, self.places, self.where = n, places, where

    def error(self, problem: str, row: int, name: str, fix: str) -> TouchDataError:
        place = self.places[row] if self.places else f"row {row + 1}"
        return TouchDataError(problem, where=self.where, field=f"{place}, {name}", fix=fix)


def checked_column(name: str, values: ArrayLike, rows: RowNames) -> NDArray[Any]:
    """A column as an array of its kind `(n,)`; TouchDataError naming the row for a cell that does not fit."""
    cells = np.asarray(values)
    if cells.ndim != 1 or len(cells) != rows.n:
        raise TouchDataError(
            f"has shape {cells.shape} where {rows.n} rows are",
            where=rows.where,
            field=name,
            fix="give columns of one length",
        )
    if name in TEXTS:
        return _texts(name, cells, rows)
    if name in INTEGERS:
        numbers = _numbers(name, cells, rows)
        whole = (numbers == np.floor(numbers)) & (np.abs(numbers) < 2**53)
        if not whole.all():
            row = int(np.flatnonzero(~whole)[0])
            raise rows.error(f"'{cells[row]}' is not a whole number", row, name, "count from 0")
        return numbers.astype(np.int64)
    if name in FLOATS:
        return _numbers(name, cells, rows)
    if cells.dtype.kind in "fiu":
        return cells.astype(np.float64)
    return _texts(name, cells, rows)


def _numbers(name: str, cells: NDArray[Any], rows: RowNames) -> Floats:
    may_miss = name in _MAY_BE_MISSING
    if cells.dtype.kind in "fiu":
        numbers = cells.astype(np.float64)
    else:
        numbers = np.empty(rows.n)
        for row, cell in enumerate(cells.tolist()):
            numbers[row] = _number(name, cell, row, rows, may_miss)
    bad = np.isinf(numbers) if may_miss else ~np.isfinite(numbers)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise rows.error(f"is {numbers[row]}", row, name, "give a finite number or drop the row")
    if name == "width_mm" and (numbers <= 0).any():
        row = int(np.flatnonzero(numbers <= 0)[0])
        raise rows.error(f"is {numbers[row]}", row, name, "give a width above 0, or nothing")
    return numbers


def _number(name: str, cell: Any, row: int, rows: RowNames, may_miss: bool) -> float:
    if cell is None or (isinstance(cell, str) and not cell.strip()):
        if may_miss:
            return float("nan")
        raise rows.error("is empty", row, name, "give a finite number or drop the row")
    try:
        if isinstance(cell, bool) or (isinstance(cell, str) and "_" in cell):
            raise ValueError
        number = float(cell)
    except (TypeError, ValueError, OverflowError):
        raise rows.error(
            f"'{str(cell)[:40]}' is not a number", row, name, "give a finite number"
        ) from None
    if isinstance(cell, str) and number != number:
        raise rows.error("is nan", row, name, "give a finite number or drop the row")
    return number


def _texts(name: str, cells: NDArray[Any], rows: RowNames) -> Texts:
    texts = [_text(cell) for cell in cells.tolist()]
    for row, text in enumerate(texts):
        # Such characters would not survive every file format, and are never meant.
        if not text.isprintable() and any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
            raise rows.error("holds a control character", row, name, "remove it")
    return cast(Texts, np.array(texts, dtype=np.str_))


def _text(cell: Any) -> str:
    if cell is None or (isinstance(cell, float) and cell != cell):
        return ""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)
