"""Writing a touch log as touches come: JSON Lines, appended row by row, complete after a kill."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from nearkey.append_log import AppendLog, log_lines
from nearkey.closing import Closable
from nearkey.errors import TouchDataError
from nearkey.touch.log_columns import Unit
from nearkey.touch.log_files import SCHEMA, VERSION, jsonl_rows
from nearkey.touch.touch_log import TouchLog


class TouchLogWriter(Closable):
    """Appends touches to a log that `TouchLog.read` reads, each with one write.

    Parameters
    ----------
    path : a .jsonl file; one that is there is gone on with, and a last row that a crash cut short is cut off.
    unit : of x and y, "layout" or "mm"; that of a log that is there must be the same.
    sync : whether every row is forced to disk (fsync) before `add` returns.

    The file is for its owner's eyes only (mode 0600): it tells how a person moves. Ask for consent first.
    Raises TouchDataError for a damaged or locked file, another unit, or another suffix.
    """

    def __init__(
        self, path: str | os.PathLike[str], *, unit: Unit = "layout", sync: bool = False
    ) -> None:
        where = os.fspath(path)
        if Path(path).suffix != ".jsonl":
            raise TouchDataError(
                "cannot grow", where=where, field="path", fix="give it the suffix .jsonl"
            )
        self._log = AppendLog(path, error=TouchDataError, fsync=sync)
        self._where = where
        self.rows: list[dict[str, Any]] = []
        try:
            self._go_on(unit)
        except BaseException:
            self._log.close()
            raise

    def _go_on(self, unit: Unit) -> None:
        data = self._log.read()
        lines = [line for line in log_lines(data) if line.data.strip()]
        if lines and not lines[-1].whole:
            lines.pop()
        self._log.resume(lines[-1].end if lines else 0, ended=not lines or lines[-1].ended)
        if not lines:
            header = {"schema": SCHEMA, "version": VERSION, "unit": unit}
            self._log.append(msgspec.json.encode(header))
            return
        read = ((line.number, line.data) for line in lines)
        header, self.rows, _ = jsonl_rows(read, self._where)
        if header.get("schema") != SCHEMA:
            raise TouchDataError(
                "is no header", where=self._where, field="line 1", fix="name another file"
            )
        if header.get("unit", "layout") != unit:
            raise TouchDataError(
                f"is {header.get('unit', 'layout')!r}, not {unit!r}",
                where=self._where,
                field="unit",
                fix="go on in the same unit, or name another file",
            )

    def add(self, row: Mapping[str, Any]) -> None:
        """Log one touch: its columns by name, all that a touch log needs and any others.

        Raises TouchDataError, and logs nothing, for a column that is missing or a value that does not fit.
        """
        TouchLog.from_columns({name: [value] for name, value in row.items()}, where=self._where)
        self._log.append(msgspec.json.encode(dict(row)))
        self.rows.append(dict(row))

    @property
    def path(self) -> Path:
        """The file."""
        return self._log.path

    def close(self) -> None:
        """Close the file; closing twice is allowed."""
        self._log.close()
