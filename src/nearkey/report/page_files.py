"""What the reports as pages share: their libraries, their tables, their templates, and the files they write."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

from nearkey.errors import NearkeyError
from nearkey.extras import library
from nearkey.files import atomic_write
from nearkey.report.pictures import ReportPicture
from nearkey.report.style import styled
from nearkey.version import VERSION


def check_report_extra(folder: str | os.PathLike[str]) -> None:
    """NearkeyError where jinja2 or matplotlib is missing, or where the folder of the report cannot be written. Asked
    before long work, too; leaves nothing behind."""
    library("jinja2", extra="report", needs="reports need jinja2")
    place = Path(folder)
    there = next((part for part in (place, *place.parents) if os.path.lexists(part)), Path())
    with writing_to(folder), TemporaryFile(dir=there):
        pass
    with styled():
        pass


@contextmanager
def writing_to(folder: str | os.PathLike[str]) -> Iterator[None]:
    """NearkeyError that names the report's folder for whatever cannot be written inside."""
    try:
        yield
    except OSError as fault:
        raise NearkeyError(
            f"cannot be written: {fault.strerror or fault}",
            where=os.fspath(folder),
            field="folder",
            fix="name a folder that can be written",
        ) from None


@dataclass(frozen=True, slots=True)
class TableCell:
    """A cell: text, small print below it, and `order`, what it sorts by; a small `drawing` (data URI) and its `alt`."""

    text: str
    small: str = ""
    order: float | str = ""
    drawing: str = ""
    alt: str = ""


@dataclass(frozen=True, slots=True)
class ReportTable:
    """A table: `head` over its columns, `marked` rows (positions) set off, the cells of `head_column` row headers, and
    `notes` below it."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[TableCell, ...], ...]
    marked: tuple[int, ...] = ()
    head_column: int = 0
    notes: tuple[str, ...] = ()


def rendered(template: str, **fields: Any) -> str:
    """A page: the `template` of this room, filled with this version and `fields`, per-cent signs kept with their
    numbers."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("nearkey.report", ""),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_unbroken,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(version=VERSION, **fields)


def _unbroken(value: object) -> object:
    return value.replace(" %", "\N{NO-BREAK SPACE}%") if type(value) is str else value


def write_page(place: Path, page: str, pictures: Iterable[ReportPicture]) -> None:
    """Write `report.html` and its pictures beside it, each whole or not at all."""
    for picture in pictures:
        with atomic_write(place / picture.name, "wb") as file:
            file.write(picture.png)
    # Last, so that a new page never stands beside old pictures.
    with atomic_write(place / "report.html") as file:
        file.write(page)
