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
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import NearkeyError, TouchDataError
from nearkey.files import atomic_path, atomic_write, read_text
from nearkey.touch.log_columns import INTEGERS, OPTIONAL, REQUIRED
from nearkey.touch.touch_log import TouchLog

__all__ = ["read_log", "write_log"]

SCHEMA = "nearkey.touch-log"
VERSION = 1
_KNOWN = "use .csv, .jsonl or .parquet"


def read_log(path: str | os.PathLike[str]) -> TouchLog:
    """Read a log by its suffix; TouchDataError names the file, row, field and fix."""
    where = os.fspath(path)
    suffix = Path(path).suffix.lower()
    if suffix == ".csv":
        return _read_csv(read_text(path, TouchDataError), where)
    if suffix == ".jsonl":
        return _read_jsonl(read_text(path, TouchDataError), where)
    if suffix == ".parquet":
        return _read_parquet(Path(path), where)
    raise TouchDataError(f"suffix '{suffix}' is unknown", where=where, field="path", fix=_KNOWN)


def write_log(log: TouchLog, path: str | os.PathLike[str]) -> None:
    """Write a log by its suffix, whole or not at all."""
    suffix = Path(path).suffix.lower()
    if suffix == ".csv":
        with atomic_write(path) as out:
            out.write(_to_csv(log))
    elif suffix == ".jsonl":
        with atomic_write(path) as out:
            out.write(_to_jsonl(log))
    elif suffix == ".parquet":
        _write_parquet(log, path)
    else:
        raise TouchDataError(
            f"suffix '{suffix}' is unknown", where=os.fspath(path), field="path", fix=_KNOWN
        )


def _unit(header: Mapping[str, Any], where: str) -> Any:
    version = header.get("version", VERSION)
    if str(version) != str(VERSION):
        raise TouchDataError(
            f"version {version} is not known here",
            where=where,
            field="version",
            fix=f"this release reads version {VERSION}",
        )
    schema = header.get("schema", SCHEMA)
    if schema != SCHEMA:
        raise TouchDataError(
            f"schema is '{schema}'", where=where, field="schema", fix=f"expected '{SCHEMA}'"
        )
    return header.get("unit", "layout")


# CSV


def _read_csv(text: str, where: str) -> TouchLog:
    lines = text.removeprefix("\ufeff").split("\n")
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
    try:
        names = [name.strip() for name in next(reader, [])]
        for row in reader:
            if row:
                rows.append(row)
                places.append(f"line {reader.line_num + skipped}")
    except csv.Error as fault:
        raise TouchDataError(
            f"not valid CSV: {fault}",
            where=where,
            field=f"line {reader.line_num + skipped}",
            fix="mend the quoting",
        ) from None
    if len(names) == 1 and ";" in names[0]:
        raise TouchDataError(
            "fields are parted by semicolons", where=where, field="header", fix="use commas"
        )
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise TouchDataError(
            f"column '{twice}' stands twice", where=where, field="header", fix="rename one"
        )
    for row, place in zip(rows, places, strict=True):
        if len(row) != len(names):
            raise TouchDataError(
                f"has {len(row)} fields where the header has {len(names)}",
                where=where,
                field=place,
                fix="give every row all its fields",
            )
    columns = {
        name: np.array([row[i] for row in rows], dtype=object) for i, name in enumerate(names)
    }
    return TouchLog.from_columns(columns, unit=_unit(header, where), where=where, places=places)


def _to_csv(log: TouchLog) -> str:
    out = io.StringIO()
    out.write(f"# schema = {SCHEMA}\n# version = {VERSION}\n# unit = {log.unit}\n")
    writer = csv.writer(out, lineterminator="\n")
    columns = log.columns()
    writer.writerow(columns)
    for row in zip(*(column.tolist() for column in columns.values()), strict=True):
        writer.writerow(["" if v != v else repr(v) if isinstance(v, float) else v for v in row])
    return out.getvalue()


# JSON Lines


def _read_jsonl(text: str, where: str) -> TouchLog:
    header: dict[str, Any] = {}
    rows: list[dict[str, Any]] = []
    places: list[str] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        try:
            item = json.loads(line)
        except json.JSONDecodeError as fault:
            raise TouchDataError(
                f"not valid JSON: {fault.msg}",
                where=where,
                field=f"line {number}",
                fix="one object a line",
            ) from None
        if not isinstance(item, dict):
            raise TouchDataError(
                "is not an object", where=where, field=f"line {number}", fix="one object a line"
            )
        if not rows and not header and "schema" in item:
            header = item
            continue
        rows.append(item)
        places.append(f"line {number}")
    names = list(dict.fromkeys(name for row in rows for name in row)) or list(REQUIRED)
    columns: dict[str, Any] = {}
    for name in names:
        cells = [row.get(name) for row in rows]
        if name in REQUIRED and any(
            cell is None and name not in row for cell, row in zip(cells, rows, strict=True)
        ):
            row = next(i for i, r in enumerate(rows) if name not in r)
            raise TouchDataError(
                "is missing", where=where, field=f"{places[row]}, {name}", fix="add it"
            )
        columns[name] = _cells(name, cells)
    return TouchLog.from_columns(columns, unit=_unit(header, where), where=where, places=places)


def _cells(name: str, cells: list[Any]) -> Any:
    """Extra columns of numbers stay numbers; what is neither number nor text becomes JSON text."""
    if name in REQUIRED or name in OPTIONAL:
        return np.array([*cells, None], dtype=object)[:-1]
    numbers = [c for c in cells if c is not None]
    if numbers and all(isinstance(c, int | float) and not isinstance(c, bool) for c in numbers):
        return np.array([np.nan if c is None else c for c in cells], dtype=np.float64)
    texts = [c if c is None or isinstance(c, str) else json.dumps(c) for c in cells]
    return np.array([*texts, None], dtype=object)[:-1]


def _to_jsonl(log: TouchLog) -> str:
    lines = [json.dumps({"schema": SCHEMA, "version": VERSION, "unit": log.unit})]
    columns = log.columns()
    for row in zip(*(column.tolist() for column in columns.values()), strict=True):
        item = {name: None if v != v else v for name, v in zip(columns, row, strict=True)}
        lines.append(json.dumps(item, ensure_ascii=False, allow_nan=False))
    return "\n".join(lines) + "\n"


# Parquet


def _arrow(where: str) -> Any:
    try:
        import pyarrow as arrow
        import pyarrow.parquet
    except ImportError:
        raise NearkeyError(
            "Parquet needs pyarrow", where=where, fix="pip install 'nearkey[data]'"
        ) from None
    return arrow


def _read_parquet(path: Path, where: str) -> TouchLog:
    arrow = _arrow(where)
    if not path.is_file():
        raise TouchDataError("no such file", where=where, fix="check the path")
    try:
        table = arrow.parquet.read_table(path)
    except (arrow.ArrowInvalid, OSError) as fault:
        raise TouchDataError(
            f"not a readable Parquet file: {fault}", where=where, fix="write it again"
        ) from None
    stored = table.schema.metadata or {}
    header = {
        name: stored[f"nearkey.{name}".encode()].decode()
        for name in ("schema", "version", "unit")
        if f"nearkey.{name}".encode() in stored
    }
    columns = {name: _cells(name, table.column(name).to_pylist()) for name in table.column_names}
    return TouchLog.from_columns(columns, unit=_unit(header, where), where=where)


def _write_parquet(log: TouchLog, path: str | os.PathLike[str]) -> None:
    arrow = _arrow(os.fspath(path))
    arrays = {}
    for name, column in log.columns().items():
        if name in INTEGERS:
            arrays[name] = arrow.array(column, type=arrow.int64())
        elif column.dtype.kind == "f":
            arrays[name] = arrow.array(column, type=arrow.float64(), from_pandas=True)
        else:
            arrays[name] = arrow.array(column.tolist(), type=arrow.string())
    table = arrow.table(arrays).replace_schema_metadata(
        {
            "nearkey.schema": SCHEMA,
            "nearkey.version": str(VERSION),
            "nearkey.unit": log.unit,
        }
    )
    with atomic_path(path) as temporary:
        arrow.parquet.write_table(table, temporary)
