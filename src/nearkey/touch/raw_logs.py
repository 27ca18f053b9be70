"""Logs as devices write them: other names of columns, pixels, milliseconds, missing values, a skewed sensor."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError
from nearkey.touch.key_geometry import Flags, Floats
from nearkey.touch.log_columns import OPTIONAL, REQUIRED, Unit, current_names

RawUnit: TypeAlias = Literal["layout", "mm", "px"]
TimeUnit: TypeAlias = Literal["s", "ms", "us"]

_SECONDS: dict[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_MM_PER_INCH = 25.4

# What stands in a log for a value that is not there.
_ABSENT = frozenset({"", "nan", "na", "n/a", "null", "none"})

Columns = Mapping[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Adapted:
    """Columns under nearkey's names, their unit, which rows were kept, and how many were dropped."""

    columns: dict[str, Any]
    unit: Unit
    kept: Flags
    n_missing: int


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


def adapted_columns(
    columns: Columns,
    unit: str,
    *,
    names: Mapping[str, str] | None = None,
    raw_unit: RawUnit | None = None,
    dpi: float | None = None,
    scale: float | None = None,
    time_unit: TimeUnit = "s",
    affine: ArrayLike | None = None,
    missing: Literal["refuse", "drop"] = "refuse",
    where: str | None = None,
) -> Adapted:
    """Columns of a file under nearkey's names and in its units.

    Parameters
    ----------
    columns : of the file, `(n,)` by name. unit : that the file says.
    names : nearkey's name of a column, then the file's. With it, columns that a touch log needs and the file lacks
        are filled in: one person, one sitting, rows in order, no times, no targets. x and y must be there.
    raw_unit : of x and y, in the place of what the file says; "px" needs `dpi` or `scale`.
    dpi : pixels per inch. scale : millimetres per unit of x and y.
    time_unit : of the times.
    affine : `(2, 3)` or six numbers, applied to x and y before any conversion.
    missing : "drop" leaves out and counts the rows without x, y or with numbers that are not finite.
    where : the file, for errors.

    Raises TouchDataError for names the file does not have, and for units that say too little or two things.
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
    if time_unit not in _SECONDS:
        raise TouchDataError(f"{time_unit!r} is unknown", field="time_unit", fix="use s, ms or us")
    if time_unit != "s" and "time_s" in found:
        seconds = _SECONDS[time_unit]
        found["time_s"] = _each(found["time_s"], lambda number: number * seconds)
    if affine is not None:
        found["x"], found["y"] = _mapped(found["x"], found["y"], affine_of(affine), where)
    said = raw_unit or unit
    try:
        factor = _factor(said, dpi=dpi, scale=scale)
    except TouchDataError as fault:
        raise (fault.at(where) if where else fault) from None
    if factor != 1.0:
        for name in ("x", "y"):
            found[name] = _each(found[name], lambda number: number * factor)
    in_mm = said == "px" or scale is not None
    return Adapted(found, "mm" if in_mm else said, kept, int((~kept).sum()))  # type: ignore[arg-type]


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
    taken = set(names.values())
    found = {ours: columns[theirs] for ours, theirs in names.items()}
    found = current_names(found)
    found |= (
        current_names({name: cells for name, cells in columns.items() if name not in taken}) | found
    )
    for name in ("x", "y"):
        if name not in found:
            raise TouchDataError(
                "column is missing", where=where, field=name, fix=f"name it: {name}=…"
            )
    n = len(found["x"])
    absent: dict[str, Any] = {
        "participant": np.full(n, ""),
        "session": np.full(n, ""),
        "trial": np.zeros(n),
        "order": np.arange(n),
        "time_s": np.full(n, np.nan),
        "target": np.full(n, ""),
    }
    full = {name: found.get(name, absent.get(name)) for name in REQUIRED}
    return full | {name: found[name] for name in (*OPTIONAL, *found) if name in found}


def _factor(unit: str, *, dpi: float | None, scale: float | None) -> float:
    """What x and y are multiplied by to be millimetres, or 1 where they stay as they are."""
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
    return _MM_PER_INCH / dpi if dpi is not None else 1.0 if scale is None else scale


def _absent(cell: Any) -> bool:
    if cell is None:
        return True
    if isinstance(cell, str):
        return cell.strip().lower() in _ABSENT
    return isinstance(cell, float) and not math.isfinite(cell)


def _each(cells: Sequence[Any] | NDArray[Any], change: Any) -> NDArray[Any]:
    """Cells with their numbers changed; what is no number stays, for the check that names its row."""

    def changed(cell: Any) -> Any:
        try:
            return cell if cell is None else change(float(cell))
        except (TypeError, ValueError):
            return cell

    return np.array([*(changed(cell) for cell in list(cells)), None], dtype=object)[:-1]


def _mapped(x: Any, y: Any, affine: Floats, where: str | None) -> tuple[Floats, Floats]:
    try:
        points = np.array([[float(a), float(b), 1.0] for a, b in zip(x, y, strict=True)])
    except (TypeError, ValueError):
        raise TouchDataError(
            "are not all numbers", where=where, field="x, y", fix="drop the rows that have none"
        ) from None
    moved = points @ affine.T
    return moved[:, 0], moved[:, 1]
