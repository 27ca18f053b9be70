"""Touch logs: one row per touch, held as immutable columns."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import compress
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.errors import TouchDataError
from nearkey.extras import library
from nearkey.touch.key_geometry import AnyLayout, Floats, Indices
from nearkey.touch.log_columns import (
    OPTIONAL,
    REQUIRED,
    RowNames,
    Texts,
    Unit,
    checked_column,
    current_names,
    filled,
)
from nearkey.touch.log_files import read_columns, write_columns
from nearkey.touch.raw_logs import RawUnit, TimeUnit, converted, own_columns, unit_and_factor

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class TouchLog:
    """Touches as columns of one length, in the order they were logged.

    Make one with `read`, `from_columns` or `from_points`, which check. The arrays `(n,)` are read-only.

    Parameters
    ----------
    participant, session : who, and in which sitting.
    trial, order : which task, and the place of the touch in it.
    time_s : seconds; NaN where not measured.
    x, y : where the finger touched, in the unit `unit`; y grows downwards.
    target : the key or letter that was meant, "" when unknown.
    width_mm : the finger's width; NaN where not measured. posture, device : free text. All optional.
    extra : columns under other names, as text or as numbers.
    unit : "layout" (units of the layout) or "mm".
    where : the file, for errors.
    n_missing : rows that reading left out because they had no place (`read(…, missing="drop")`).

    A log tells how a person moves, and with its targets what was typed: ask for consent, and
    keep logs of private text private.
    """

    participant: Texts
    session: Texts
    trial: Integers
    order: Integers
    time_s: Floats
    x: Floats
    y: Floats
    target: Texts
    width_mm: Floats | None = None
    posture: Texts | None = None
    device: Texts | None = None
    extra: Mapping[str, NDArray[Any]] = field(default_factory=lambda: MappingProxyType({}))
    unit: Unit = "layout"
    where: str | None = None
    n_missing: int = 0

    @classmethod
    def from_columns(
        cls,
        columns: Mapping[str, ArrayLike],
        *,
        unit: Unit = "layout",
        where: str | None = None,
        places: Sequence[str] | None = None,
    ) -> TouchLog:
        """A checked log.

        Parameters
        ----------
        columns : arrays `(n,)` by name: all of `REQUIRED`, any of `OPTIONAL`, any extra.
        unit : of x and y, "layout" or "mm".
        where : the file, for errors.
        places : names each row in errors ("line 7" of a file); rows are numbered from 1 by default.

        Raises TouchDataError for missing columns, unequal lengths, no rows, text where a number
        belongs, NaN or infinite coordinates, and control characters in text.
        """
        if unit not in ("layout", "mm"):
            raise TouchDataError(
                f"unit '{unit}' is unknown", where=where, field="unit", fix='use "layout" or "mm"'
            )
        columns = current_names(columns)
        missing = [name for name in REQUIRED if name not in columns]
        if missing:
            lower = {str(name).strip().lower() for name in columns}
            named = " (names are in lower case)" if lower.issuperset(missing) else ""
            raise TouchDataError(
                "column is missing" if len(missing) == 1 else "columns are missing",
                where=where,
                field=", ".join(missing),
                fix=f"a touch log needs {', '.join(REQUIRED)}{named}",
            )
        n = len(np.atleast_1d(np.asarray(columns["x"], dtype=object)))
        if n == 0:
            raise TouchDataError(
                "holds no touches", where=where, field="rows", fix="log at least one touch"
            )
        row_names = RowNames(n, places, where)
        checked: dict[str, Any] = {}
        extra: dict[str, NDArray[Any]] = {}
        for name, values in columns.items():
            column = checked_column(name, values, row_names)
            column.setflags(write=False)
            (checked if name in REQUIRED or name in OPTIONAL else extra)[name] = column
        return cls(**checked, extra=MappingProxyType(extra), unit=unit, where=where)

    @classmethod
    def from_points(
        cls,
        points: ArrayLike,
        targets: Sequence[str] | NDArray[np.str_],
        *,
        participant: str | Sequence[str] = "",
        session: str | Sequence[str] = "",
        time_s: ArrayLike | None = None,
        unit: Unit = "layout",
        **columns: Any,
    ) -> TouchLog:
        """A log from points and their targets; what is given once stands for every row.

        Parameters
        ----------
        points : `(n, 2)`, in `unit`.
        targets : `(n,)`, key ids or letters, "" when unknown.
        participant, session, time_s : as of the class, for each row or for all; times are unknown unless given.
        unit : of the points.
        columns : any others; `trial` is 0 and `order` counts the rows unless given. `person` is what `participant` was
            called before.

        Raises TouchDataError as `from_columns`, and for points of another shape.
        """
        xy = np.asarray(points, dtype=np.float64)
        if xy.ndim != 2 or xy.shape[1] != 2:
            raise TouchDataError(
                f"shape is {xy.shape}", field="points", fix="give one row (x, y) per touch"
            )
        n = len(xy)
        if isinstance(participant, str) and not participant:  # as it was called before, perhaps
            columns = current_names(columns)
        given: dict[str, Any] = {
            "participant": participant,
            "session": session,
            "time_s": np.nan if time_s is None else time_s,
            "x": xy[:, 0],
            "y": xy[:, 1],
            "target": np.asarray(targets, dtype=object),
        }
        return cls.from_columns(filled(given | columns, n), unit=unit)

    @classmethod
    def read(
        cls,
        path: str | os.PathLike[str],
        *,
        columns: Mapping[str, str] | None = None,
        unit: RawUnit | None = None,
        dpi: float | None = None,
        scale: float | None = None,
        time_unit: TimeUnit = "s",
        affine: ArrayLike | None = None,
        missing: Literal["refuse", "drop"] = "refuse",
    ) -> TouchLog:
        """Read a .csv, .jsonl or .parquet log, nearkey's own or one as a device wrote it.

        Parameters
        ----------
        path : the file.
        columns : for a log with other names: nearkey's name of a column, then the file's, such as
            `{"x": "px_x", "y": "px_y", "target": "key"}`. What a touch log needs besides x and y and the file lacks is
            then filled in: one person, one sitting, rows in order, no times, no targets.
        unit : of x and y, in the place of what the file says: "layout", "mm", or "px" with `dpi` or `scale`.
        dpi : pixels per inch. scale : millimetres per unit of x and y.
        time_unit : of the times, "s", "ms" or "us".
        affine : `(2, 3)`, or six numbers a, b, c, d, e, f: x' = a x + b y + c, y' = d x + e y + f, before any other
            conversion; `nearkey.touch.raw_logs.fit_affine` finds it from points measured on the surface.
        missing : "drop" leaves out and counts (`n_missing`) rows without x or y; "refuse" raises at the first.

        Raises TouchDataError naming the file, row and field.
        """
        read, said, places = read_columns(path)
        return cls._of(
            read,
            said,
            places,
            os.fspath(path),
            names=columns,
            raw_unit=unit,
            dpi=dpi,
            scale=scale,
            time_unit=time_unit,
            affine=affine,
            missing=missing,
        )

    def write(self, path: str | os.PathLike[str]) -> None:
        """Write the log as .csv, .jsonl or .parquet, whole or not at all."""
        write_columns(self.columns(), self.unit, path)

    def __len__(self) -> int:
        return len(self.x)

    @property
    def shape(self) -> tuple[int, int]:
        """Touches, and 2: a log is cut like an array of points (`n`, 2), by scikit-learn's splitters, too."""
        return len(self.x), 2

    def __getitem__(self, rows: Any) -> TouchLog:
        """The touches of a number, a slice, a mask or an array of numbers, as a log; see `select`."""
        if isinstance(rows, tuple):  # an array's way to say "all columns"
            rows = rows[0]
        return self.select(np.atleast_1d(np.arange(len(self))[rows]))

    def __repr__(self) -> str:
        where = f", {self.where}" if self.where else ""
        return f"<TouchLog: {len(self)} touches of {len(self.participants)} people, in {self.unit}{where}>"

    def to_frame(self) -> Any:
        """The log as a pandas DataFrame, a row a touch; NearkeyError without pandas (the extra `frames`)."""
        pandas = library("pandas", extra="frames", where="to_frame")
        return pandas.DataFrame(self.columns())

    @classmethod
    def from_table(
        cls,
        table: Any,
        *,
        columns: Mapping[str, str] | None = None,
        unit: RawUnit = "layout",
        **raw: Any,
    ) -> TouchLog:
        """A log from a pandas or Polars DataFrame, a pyarrow Table, or a `Dataset` of the `datasets` library.

        table : columns by name. unit : of x and y. columns, raw : for a table as a device wrote it, as of `read`.
        Raises TouchDataError as `read`, and for no table.
        """
        names = getattr(table, "column_names", None)
        names = getattr(table, "columns", None) if names is None else names
        if names is None:
            raise TouchDataError(
                f"a {type(table).__name__} is no table",
                field="table",
                fix="give a DataFrame, a Table or a Dataset",
            )
        read = {str(name): np.asarray(table[name][:]) for name in names}
        return cls._of(read, "layout", None, None, names=columns, raw_unit=unit, **raw)

    @classmethod
    def _of(
        cls,
        read: Mapping[str, Any],
        said: Unit,
        places: Sequence[str] | None,
        where: str | None,
        *,
        names: Mapping[str, str] | None = None,
        raw_unit: RawUnit | None = None,
        dpi: float | None = None,
        scale: float | None = None,
        time_unit: TimeUnit = "s",
        affine: ArrayLike | None = None,
        missing: Literal["refuse", "drop"] = "refuse",
    ) -> TouchLog:
        """A log of columns as a file or a table has them, made ours; the options as of `read`."""
        columns, kept = own_columns(read, names=names, missing=missing, where=where)
        if places is not None:
            places = list(compress(places, kept))
        try:
            unit, factor = unit_and_factor(raw_unit or said, dpi=dpi, scale=scale)
        except TouchDataError as fault:
            raise (fault.at(where) if where else fault) from None
        log = cls.from_columns(columns, unit=unit, where=where, places=places)
        if affine is not None or factor != 1.0 or time_unit != "s":
            right = converted(log.columns(), factor=factor, time_unit=time_unit, affine=affine)
            log = cls.from_columns(right, unit=unit, where=where, places=places)
        return replace(log, n_missing=int((~kept).sum()))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, TouchLog):
            return NotImplemented
        mine, theirs = self.columns(), other.columns()
        return (
            self.unit == other.unit
            and list(mine) == list(theirs)
            and all(_same(mine[name], theirs[name]) for name in mine)
        )

    def __reduce__(self) -> tuple[Any, ...]:
        # Copies and pickles (worker processes) go through the checks and stay read-only.
        make = partial(TouchLog.from_columns, unit=self.unit, where=self.where)
        return make, (self.columns(),)

    __hash__ = None  # type: ignore[assignment]

    def columns(self) -> dict[str, NDArray[Any]]:
        """Every column by name: the required ones, the optional ones present, then the extra."""
        named = {name: getattr(self, name) for name in (*REQUIRED, *OPTIONAL)}
        return {k: v for k, v in named.items() if v is not None} | dict(self.extra)

    @property
    def points(self) -> Floats:
        """The touches, `(n, 2)`."""
        return np.column_stack([self.x, self.y])

    @property
    def participants(self) -> tuple[str, ...]:
        """The people in the log, in order of appearance."""
        return tuple(dict.fromkeys(self.participant.tolist()))

    def select(self, rows: ArrayLike) -> TouchLog:
        """The rows of a boolean mask or of indices; TouchDataError when none is left."""
        chosen = np.asarray(rows)
        picked = {name: column[chosen] for name, column in self.columns().items()}
        if len(picked["x"]) == 0:
            raise TouchDataError(
                "no touches are left", where=self.where, field="rows", fix="choose fewer filters"
            )
        for column in picked.values():
            column.setflags(write=False)
        extra = {name: picked.pop(name) for name in self.extra}
        return replace(self, **picked, extra=MappingProxyType(extra))

    def of_participant(self, *names: str) -> TouchLog:
        """The touches of these people."""
        self._check_people(names)
        return self.select(np.isin(self.participant, names))

    def without_participant(self, *names: str) -> TouchLog:
        """The touches of everyone else."""
        self._check_people(names)
        return self.select(~np.isin(self.participant, names))

    def by_participant(self) -> Iterator[tuple[str, TouchLog]]:
        """Each person's name and touches."""
        for name in self.participants:
            yield name, self.select(self.participant == name)

    def in_units_of(self, layout: AnyLayout) -> TouchLog:
        """The log with x, y in the layout's units; millimetres are converted by `unit_mm`."""
        if self.unit == "layout":
            return self
        return self.with_points(self.points / layout.unit_mm, unit="layout")

    def with_points(self, points: ArrayLike, *, unit: Unit | None = None) -> TouchLog:
        """The same rows at other points `(n, 2)`."""
        xy = np.array(points, dtype=np.float64)
        x, y = xy[:, 0].copy(), xy[:, 1].copy()
        x.setflags(write=False)
        y.setflags(write=False)
        return replace(self, x=x, y=y, unit=self.unit if unit is None else unit)

    def duplicates(self) -> Indices:
        """Rows that repeat an earlier row in every column."""
        seen: set[tuple[Any, ...]] = set()
        again = []
        rows = zip(*(map(repr, c.tolist()) for c in self.columns().values()), strict=True)
        for i, row in enumerate(rows):
            if row in seen:
                again.append(i)
            seen.add(row)
        return np.array(again, dtype=np.intp)

    def _check_people(self, names: Iterable[str]) -> None:
        unknown = sorted(set(names) - set(self.participants))
        if unknown:
            raise TouchDataError(
                f"no touches of '{unknown[0]}'",
                where=self.where,
                field="participant",
                fix=f"participants of this log: {', '.join(self.participants[:8])}",
            )


def concat(logs: Iterable[TouchLog]) -> TouchLog:
    """One log from several, row after row.

    Optional and extra columns that a log lacks are filled with "" or NaN.
    Raises TouchDataError for no logs, and for logs in different units: convert them first.
    """
    parts = list(logs)
    if not parts:
        raise TouchDataError("no logs to join", field="logs", fix="give at least one")
    if len({log.unit for log in parts}) > 1:
        raise TouchDataError(
            "logs in layout units and in millimetres are mixed",
            where=", ".join(log.where for log in parts if log.where) or None,
            field="unit",
            fix="call in_units_of(layout) on each first",
        )
    names = list(dict.fromkeys(name for log in parts for name in log.columns()))
    joined: dict[str, NDArray[Any]] = {}
    for name in names:
        pieces = [log.columns().get(name) for log in parts]
        text = any(p is not None and p.dtype.kind == "U" for p in pieces)
        missing: Any = "" if text else np.nan
        joined[name] = np.concatenate(
            [
                np.full(len(log), missing) if p is None else p
                for p, log in zip(pieces, parts, strict=True)
            ]
        )
    return TouchLog.from_columns(joined, unit=parts[0].unit)


def _same(a: NDArray[Any], b: NDArray[Any]) -> bool:
    if a.dtype.kind != b.dtype.kind:
        return False
    return np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
