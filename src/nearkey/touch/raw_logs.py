"""Logs as devices write them: other names of columns, pixels, milliseconds, missing values, a skewed sensor."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError
from nearkey.touch.key_geometry import Flags, Floats
from nearkey.touch.log_columns import OPTIONAL, REQUIRED, Unit, current_names, filled

RawUnit: TypeAlias = Literal["layout", "mm", "px"]
TimeUnit: TypeAlias = Literal["s", "ms", "us"]

_SECONDS: dict[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_MM_PER_INCH = 25.4

# What stands in a log for a value that is not there.
_ABSENT = frozenset({"", "nan", "na", "n/a", "null", "none"})

Columns = Mapping[str, NDArray[Any]]


def column_names(text: str) -> dict[str, str]:
    """A mapping of columns written as "x=px_x,y=px_y,target=key": nearkey's name, then the file's.

    Raises TouchDataError for a part that is no such pair, and for a name given twice.
    """
    found: dict[str, str] = {}
    for part in text.split(","):
        ours, equals, theirs = (piece.strip() for piece in part.partition("="))
        if not (ours and equals and theirs) or ours in found:
            raise TouchDataError(
                f"{part.strip()!r} does not name a column"
                if ours not in found
                else f"{ours!r} is named twice",
                field="columns",
                fix="write pairs such as x=px_x,y=px_y,target=key",
            )
        found[ours] = theirs
    return found


def affine_of(values: ArrayLike) -> Floats:
    """An affine map `(2, 3)` from six numbers a, b, c, d, e, f: x' = a x + b y + c, y' = d x + e y + f.

    Raises TouchDataError for another count, for numbers that are not finite, and for a map that folds the surface flat.
    """
    try:
        matrix = np.asarray(values, dtype=np.float64).reshape(2, 3)
    except (TypeError, ValueError):
        matrix = np.full((2, 3), np.nan)
    if not np.isfinite(matrix).all() or abs(np.linalg.det(matrix[:, :2])) < 1e-12:
        raise TouchDataError(
            "is no affine map",
            field="affine",
            fix="give six numbers a,b,c,d,e,f: x' = a x + b y + c, y' = d x + e y + f",
        )
    return matrix


def fit_affine(measured: ArrayLike, true: ArrayLike) -> Floats:
    """The affine map `(2, 3)` that carries measured points onto where they truly lay, by least squares.

    Parameters
    ----------
    measured : `(n, 2)` as the device logs them, n at least 3 and not on one line.
    true : `(n, 2)`, the same points in the unit wanted.

    Raises TouchDataError for other shapes, numbers that are not finite, and points on one line.
    """
    given, wanted = (np.asarray(points, dtype=np.float64) for points in (measured, true))
    rows = np.column_stack([given, np.ones(len(given))]) if given.ndim == 2 else np.zeros((0, 3))
    if given.shape != wanted.shape or rows.shape[1:] != (3,) or not np.isfinite(rows).all():
        raise TouchDataError("points do not pair", field="affine", fix="give rows x, y for both")
    solved, _, rank, _ = np.linalg.lstsq(rows, wanted, rcond=None)
    if rank < 3:
        raise TouchDataError(
            "fewer than three points, or all on one line",
            field="affine",
            fix="measure three corners of the surface, or more",
        )
    return affine_of(solved.T)


def own_columns(
    columns: Columns,
    *,
    names: Mapping[str, str] | None = None,
    missing: Literal["refuse", "drop"] = "refuse",
    where: str | None = None,
) -> tuple[dict[str, Any], Flags]:
    """Columns of a file under nearkey's names, and which of its rows they have.

    Parameters
    ----------
    columns : of the file, `(n,)` by name.
    names : nearkey's name of a column, then the file's. With it, columns that a touch log needs and the file lacks
        are filled in: one person, one sitting, rows in order, no times, no targets. x and y must be there.
    missing : "drop" leaves out the rows without x, y or with numbers that are not finite.
    where : the file, for errors.

    Raises TouchDataError for names the file does not have.
    """
    found: dict[str, Any] = dict(columns)
    if names is not None:
        found = _renamed(found, names, where)
    kept = np.ones(len(found["x"]) if "x" in found else 0, dtype=bool)
    if missing == "drop" and "x" in found and "y" in found:
        for name in ("x", "y"):
            kept &= np.array([not _absent(cell) for cell in found[name]], dtype=bool)
        if not kept.any() and len(kept):
            raise TouchDataError(
                "no row has both", where=where, field="x, y", fix="check the columns of the file"
            )
        found = {name: np.asarray(column)[kept] for name, column in found.items()}
        for name in ("time_s", "width_mm"):
            if name in found:
                cells = [None if _absent(cell) else cell for cell in found[name]]
                found[name] = np.array([*cells, None], dtype=object)[:-1]
    return found, kept


def converted(
    columns: Columns, *, factor: float, time_unit: TimeUnit, affine: ArrayLike | None
) -> Columns:
    """Checked columns of a log in its units: x, y through `affine` and then times a factor, the times in seconds."""
    if time_unit not in _SECONDS:
        raise TouchDataError(f"{time_unit!r} is unknown", field="time_unit", fix="use s, ms or us")
    points = np.column_stack([columns["x"], columns["y"]])
    with np.errstate(all="ignore"):  # what is no longer finite is named by the log's check
        if affine is not None:
            points = np.column_stack([points, np.ones(len(points))]) @ affine_of(affine).T
        x, y = (factor * points).T
        return {**columns, "x": x, "y": y, "time_s": _SECONDS[time_unit] * columns["time_s"]}


def _renamed(
    columns: dict[str, Any], names: Mapping[str, str], where: str | None
) -> dict[str, Any]:
    lacking = [theirs for theirs in names.values() if theirs not in columns]
    if lacking:
        raise TouchDataError(
            f"no column {lacking[0]!r}",
            where=where,
            field="columns",
            fix=f"the file has {', '.join(columns)}",
        )
    named = current_names({ours: columns[theirs] for ours, theirs in names.items()})
    taken = set(names.values())
    others = {name: cells for name, cells in columns.items() if name not in taken}
    found = named | current_names(others) | named
    for name in ("x", "y"):
        if name not in found:
            raise TouchDataError(
                "column is missing", where=where, field=name, fix=f"name it: {name}=…"
            )
    full = filled(found, len(found["x"]))
    return {name: full[name] for name in (*REQUIRED, *OPTIONAL, *found) if name in full}


def unit_and_factor(unit: RawUnit, *, dpi: float | None, scale: float | None) -> tuple[Unit, float]:
    """The unit that x and y come to, and what they are multiplied by for it: 1 where they stay as they are.

    Raises TouchDataError for units that say too little or two things.
    """
    if unit not in ("layout", "mm", "px"):
        raise TouchDataError(f"unit {unit!r} is unknown", field="unit", fix="use layout, mm or px")
    if dpi is not None and scale is not None:
        raise TouchDataError("both are given", field="dpi, scale", fix="give one of the two")
    if unit == "px" and dpi is None and scale is None:
        raise TouchDataError(
            "pixels have no size of their own", field="unit", fix="give dpi, or scale in mm a pixel"
        )
    for name, value in (("dpi", dpi), ("scale", scale)):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise TouchDataError(f"is {value}", field=name, fix="give a number above 0")
    if dpi is not None and unit != "px":
        raise TouchDataError("is of pixels", field="dpi", fix="say that the unit is px, too")
    if dpi is not None:
        return "mm", _MM_PER_INCH / dpi
    return (unit, 1.0) if scale is None else ("mm", scale)  # type: ignore[return-value]


def _absent(cell: Any) -> bool:
    if cell is None:
        return True
    if isinstance(cell, str):
        return cell.strip().lower() in _ABSENT
    return isinstance(cell, float) and not math.isfinite(cell)
