"""What the reports as pages share: their libraries, their templates, and the files they write."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from importlib.resources import files as package_files
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


def rendered(
    template: str, *, finalize: Callable[[object], object] | None = None, **fields: Any
) -> str:
    """A page: the `template` of this room, filled with this version and `fields`, each passed through `finalize`."""
    import jinja2

    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    source = package_files("nearkey.report").joinpath(template).read_text(encoding="utf-8")
    return environment.from_string(source).render(version=VERSION, **fields)


def write_page(place: Path, page: str, pictures: Iterable[ReportPicture]) -> None:
    """Write `report.html` and its pictures beside it, each whole or not at all."""
    for picture in pictures:
        with atomic_write(place / picture.name, "wb") as file:
            file.write(picture.png)
    # Last, so that a new page never stands beside old pictures.
    with atomic_write(place / "report.html") as file:
        file.write(page)
