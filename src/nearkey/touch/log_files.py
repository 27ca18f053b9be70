"""Touch logs on disk: CSV, JSON Lines and Parquet.

CSV: lines ``# name = value`` may stand above the header (``# unit = mm``). JSON Lines: the first
object may be a header ``{"schema": "nearkey.touch-log", "version": 1, "unit": "mm"}``. Parquet:
the same three as key-value metadata. Without them, x and y are in layout units.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError
from nearkey.extras import library
from nearkey.files import atomic_path, read_text
from nearkey.schema import parse_json
from nearkey.touch.log_columns import INTEGERS, OPTIONAL, REQUIRED, Unit, current_names

SCHEMA = "nearkey.touch-log"
VERSION = 1

Columns = Mapping[str, NDArray[Any]]
Rows = tuple[dict[str, Any], Columns, list[str] | None]
"""The header, the columns, and what names each row in errors (None: its number)."""
_Read = Callable[[Path, str], Rows]
_Write = Callable[[Mapping[str, Any], Columns, Path, str], None]


def read_columns(path: str | os.PathLike[str]) -> tuple[Columns, Unit, list[str] | None]:
    """The columns of a log file (by its suffix), the unit of x and y, and what names each row in errors.

    Raises TouchDataError naming file, row, field and fix; NearkeyError where Parquet lacks its library.
    """
    where = os.fspath(path)
    header, columns, places = _format(path)[0](Path(path), where)
    for name, ours, problem, fix in (
        (
            "version",
            VERSION,
            "version {} is not known here",
            f"this release reads version {VERSION}",
        ),
        ("schema", SCHEMA, "schema is '{}'", f"expected '{SCHEMA}'"),
    ):
        found = header.get(name, ours)
        if str(found) != str(ours):
            raise TouchDataError(problem.format(found), where=where, field=name, fix=fix)
    return columns, cast(Unit, header.get("unit", "layout")), places


def write_columns(columns: Columns, unit: Unit, path: str | os.PathLike[str]) -> None:
    """Write a log's columns by the suffix of the file, whole or not at all, for its owner's eyes only; raises as
    `read_columns`."""
    write = _format(path)[1]
    header = {"schema": SCHEMA, "version": VERSION, "unit": unit}
    with atomic_path(path, private=True, error=TouchDataError) as temporary:
        write(header, columns, temporary, os.fspath(path))


# CSV


def _read_csv(path: Path, where: str) -> Rows:
    lines = read_text(path, TouchDataError).removeprefix("\ufeff").split("\n")
    header: dict[str, str] = {}
    skipped = 0
    for line in lines:
        if not line.startswith("#"):
            break
        skipped += 1
        name, sign, value = line.lstrip("#").partition("=")
        if sign:
            header[name.strip()] = value.strip().strip('"')
    reader = csv.reader(io.StringIO("\n".join(lines[skipped:]), newline=""), strict=True)
    rows: list[list[str]] = []
    places: list[str] = []

    def fault(problem: str, fix: str, place: str = "header") -> TouchDataError:
        return TouchDataError(problem, where=where, field=place, fix=fix)

    try:
        names = [name.strip() for name in next(reader, [])]
        for row in reader:
            if row:
                rows.append(row)
                places.append(f"line {reader.line_num + skipped}")
    except csv.Error as error:
        place = f"line {reader.line_num + skipped}"
        raise fault(f"not valid CSV: {error}", "correct the quoting", place) from None
    if len(names) == 1 and ";" in names[0]:
        raise fault("fields are parted by semicolons", "use commas")
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise fault(f"column '{twice}' stands twice", "rename one")
    for row, place in zip(rows, places, strict=True):
        if len(row) != len(names):
            problem = f"has {len(row)} fields where the header has {len(names)}"
            raise fault(problem, "give every row all its fields", place)
    columns = {
        name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(names)
    }
    return header, columns, places


def _write_csv(header: Mapping[str, Any], columns: Columns, path: Path, where: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as out:
        out.writelines(f"# {name} = {value}\n" for name, value in header.items())
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(columns)
        for row in zip(*(column.tolist() for column in columns.values()), strict=True):
            writer.writerow(["" if v != v else repr(v) if isinstance(v, float) else v for v in row])


# JSON Lines


def jsonl_rows(
    lines: Iterable[tuple[int, str | bytes]], where: str
) -> tuple[dict[str, Any], list[dict[str, Any]], list[str]]:
    """The header of numbered lines of JSON, if there is one, the rows, and what names each row in errors."""
    header: dict[str, Any] = {}
    rows: list[dict[str, Any]] = []
    places: list[str] = []
    fix = "one object a line"
    for number, line in lines:
        if not line.strip():
            continue
        place = f"line {number}"
        item = parse_json(line, error=TouchDataError, where=where, place=place, fix=fix)
        if not isinstance(item, dict):
            raise TouchDataError("is not an object", where=where, field=place, fix=fix)
        if not rows and not header and "schema" in item:
            header = item
            continue
        rows.append(item)
        places.append(place)
    return header, rows, places


def _read_jsonl(path: Path, where: str) -> Rows:
    lines = enumerate(read_text(path, TouchDataError).split("\n"), start=1)
    header, rows, places = jsonl_rows(lines, where)
    if any(
        "participant" in row for row in rows
    ):  # a log that has grown since its column was `person`
        rows = [current_names(row) for row in rows]
    names = list(dict.fromkeys(name for row in rows for name in row)) or list(REQUIRED)
    for name in REQUIRED:
        lacking = [place for row, place in zip(rows, places, strict=True) if name not in row]
        if name in names and lacking:
            field = f"{lacking[0]}, {name}"
            raise TouchDataError("is missing", where=where, field=field, fix="add it")
    return header, {name: _cells(name, [row.get(name) for row in rows]) for name in names}, places


def _cells(name: str, cells: list[Any]) -> Any:
    """Extra columns of numbers stay numbers; what is neither number nor text becomes JSON text."""
    if name in REQUIRED or name in OPTIONAL:
        return np.array([*cells, None], dtype=object)[:-1]
    numbers = [c for c in cells if c is not None]
    if numbers and all(isinstance(c, int | float) and not isinstance(c, bool) for c in numbers):
        return np.array([np.nan if c is None else c for c in cells], dtype=np.float64)
    texts = [c if c is None or isinstance(c, str) else json.dumps(c) for c in cells]
    return np.array([*texts, None], dtype=object)[:-1]


def _write_jsonl(header: Mapping[str, Any], columns: Columns, path: Path, where: str) -> None:
    with path.open("w", encoding="utf-8") as out:
        out.write(json.dumps(header) + "\n")
        for row in zip(*(column.tolist() for column in columns.values()), strict=True):
            item = {name: None if v != v else v for name, v in zip(columns, row, strict=True)}
            out.write(json.dumps(item, ensure_ascii=False, allow_nan=False) + "\n")


# Parquet


def _arrow(where: str) -> Any:
    library("pyarrow.parquet", extra="data", needs="Parquet needs pyarrow", where=where)
    import pyarrow

    return pyarrow


def _read_parquet(path: Path, where: str) -> Rows:
    arrow = _arrow(where)
    if not path.is_file():
        raise TouchDataError("no such file", where=where, fix="check the path")
    try:
        table = arrow.parquet.read_table(path)
    except (arrow.ArrowException, UnicodeDecodeError, OSError, MemoryError) as fault:
        raise TouchDataError(
            f"not a readable Parquet file: {fault}", where=where, fix="write it again"
        ) from None
    stored = table.schema.metadata or {}
    header = {
        name: stored[f"nearkey.{name}".encode()].decode(errors="replace")
        for name in ("schema", "version", "unit")
        if f"nearkey.{name}".encode() in stored
    }
    try:
        columns = {
            name: _cells(name, table.column(name).to_pylist()) for name in table.column_names
        }
    except (arrow.ArrowException, KeyError, ValueError, OverflowError) as fault:
        raise TouchDataError(
            f"not a readable table: {fault}", where=where, fix="write it again"
        ) from None
    return header, columns, None


def _write_parquet(header: Mapping[str, Any], columns: Columns, path: Path, where: str) -> None:
    arrow = _arrow(where)
    arrays = {}
    for name, column in columns.items():
        if name in INTEGERS:
            arrays[name] = arrow.array(column, type=arrow.int64())
        elif column.dtype.kind == "f":
            arrays[name] = arrow.array(column, type=arrow.float64(), from_pandas=True)
        else:
            arrays[name] = arrow.array(column.tolist(), type=arrow.string())
    stored = {f"nearkey.{name}": str(value) for name, value in header.items()}
    arrow.parquet.write_table(arrow.table(arrays).replace_schema_metadata(stored), path)


_FORMATS: dict[str, tuple[_Read, _Write]] = {
    ".csv": (_read_csv, _write_csv),
    ".jsonl": (_read_jsonl, _write_jsonl),
    ".parquet": (_read_parquet, _write_parquet),
}


def _format(path: str | os.PathLike[str]) -> Any:
    """The reader and the writer for a file, by its suffix."""
    suffix = Path(path).suffix.lower()
    if suffix not in _FORMATS:
        raise TouchDataError(
            f"suffix '{suffix}' is unknown",
            where=os.fspath(path),
            field="path",
            fix="use .csv, .jsonl or .parquet",
        )
    return _FORMATS[suffix]
