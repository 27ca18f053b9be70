"""The small schema of a results file, and how it is read and written.

A script that measures something writes one JSON file into `benchmarks/results/`; `make_results.py`
turns all of them into `RESULTS.md`. The schema is described in `README.md` beside this file.
"""

from __future__ import annotations

import math
import os
import platform
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from nearkey.errors import NearkeyError
from nearkey.files import atomic_write
from nearkey.language.info import read_info
from nearkey.schema import convert, read_json

FORMAT = "nearkey-results-1"
RESULTS = Path(__file__).resolve().parent / "results"
ROOT = RESULTS.parents[1]
PACK = "English pack"

Number = int | float
#: A figure, a figure with its interval [estimate, low, high], a word, yes/no, or nothing measured.
Cell = bool | int | float | str | list[Number | None] | None


_FIX = "see benchmarks/README.md"


class ResultsFileError(NearkeyError):
    """A results file does not follow the schema."""


class Column(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One column: its heading, the digits after the point, and whether figures are shares of one."""

    name: str
    digits: int | None = None
    percent: bool = False


class PagePicture(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A picture shown under the table; `file` is relative to `benchmarks/results/`."""

    file: str
    caption: str


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One section of RESULTS.md. `environment` is given where figures depend on the machine; `taken` says with what they were taken."""

    format: str
    title: str
    command: str
    columns: list[str | Column]
    rows: list[list[Cell]]
    notes: list[str] = []
    order: int = 100
    pictures: list[PagePicture] = []
    environment: dict[str, str] = {}
    taken: dict[str, str] = {}

    @property
    def headings(self) -> list[Column]:
        """Its columns, each with all that may be said of one."""
        return [Column(one) if isinstance(one, str) else one for one in self.columns]

    def __post_init__(self) -> None:
        """Raise ResultsFileError for what is wrong beyond the types."""
        found = []
        if self.format != FORMAT:
            found.append(f"field 'format' is {self.format!r}: write {FORMAT!r}")
        for field in ("title", "command"):
            if not getattr(self, field).strip():
                found.append(f"field {field!r} is empty")
        for number, row in enumerate(self.rows):
            if len(row) != len(self.columns):
                found.append(f"row {number} has {len(row)} cells for {len(self.columns)} columns")
            for cell in row:
                if isinstance(cell, list) and len(cell) != 3:
                    found.append(f"row {number}: a list cell is [estimate, low, high], not {cell}")
                if isinstance(cell, float) and not math.isfinite(cell):
                    found.append(f"row {number}: {cell} is no figure; write null")
        if found:
            raise ResultsFileError(found[0], fix=_FIX)


def section(
    title: str,
    columns: str | Iterable[str] | Mapping[str, Callable[..., Any]],
    rows: Iterable[Iterable[Any]],
    *,
    command: str | None = None,
    more: str = "",
    order: int = 100,
    notes: Sequence[str] = (),
    pictures: Sequence[PagePicture] = (),
    timed: bool = False,
    environment: dict[str, str] | None = None,
) -> Section:
    """A section from what was measured; numpy's numbers and estimates become plain cells.

    command : what gives these figures; the usage line in the docstring of the script that runs, without what stands there
        in brackets. more : options to be added to it.
    columns : headings, in one string with "; " between them or one by one. "heading"; "heading|2" shows two digits after the point; "heading|%" shows a share as a percentage.
        A mapping says how the cell is made, of what each of the rows has.
    timed : the figures depend on this machine, which is then named. environment : the same, of another machine.
    """
    if isinstance(columns, Mapping):
        rows = [[cell(*row) for cell in columns.values()] for row in rows]
    return Section(
        FORMAT,
        title,
        " ".join(part for part in (command or _usage(), more) if part),
        [_column(one) for one in (columns.split("; ") if isinstance(columns, str) else columns)],
        [[_cell(one) for one in row] for row in rows],
        notes=list(notes),
        order=order,
        pictures=list(pictures),
        environment=this_machine() if timed else environment or {},
        taken=this_tree(),
    )


def _usage() -> str:
    """The command of the script that runs, as its docstring has it."""
    doc = sys.modules["__main__"].__doc__ or ""
    line = next(line for line in doc.splitlines() if "python benchmarks/" in line)
    return re.split(r" [\[(]", line.strip())[0]


def _column(heading: str) -> str | Column:
    name, bar, shown = heading.partition("|")
    if not bar:
        return name
    return Column(name, percent=True) if shown == "%" else Column(name, digits=int(shown))


def _cell(value: Any) -> Cell:
    if isinstance(value, tuple | list):
        return [_cell(one) for one in value]  # type: ignore[misc]
    return value.item() if isinstance(value, np.generic) else value  # type: ignore[no-any-return]


def read(path: Path) -> list[Section]:
    """The sections of a file: one object, or a list of them. Raises ResultsFileError."""
    found = read_json(path, ResultsFileError, fix=_FIX)
    listed = found if isinstance(found, list) else [found]
    return convert(listed, list[Section], error=ResultsFileError, where=str(path), fix=_FIX)


def write(path: Path, *sections: Section) -> None:
    """Write sections so that the same figures give the same bytes."""
    payload = sections[0] if len(sections) == 1 else list(sections)
    text = msgspec.json.format(msgspec.json.encode(payload), indent=1)
    with atomic_write(path) as stream:
        stream.write(text.decode() + "\n")


def save(name: str, *sections: Section) -> None:
    """Write sections to `results/NAME.json` and show them."""
    write(RESULTS / f"{name}.json", *sections)
    for one in sections:
        print(one.title)
        for row in one.rows:
            shown = (f"{cell:.4g}" if isinstance(cell, float) else cell for cell in row)
            print("  ", *shown, sep="\t")


def save_section(
    name: str, title: str, columns: str | Iterable[str], rows: Iterable[Iterable[Any]], **how: Any
) -> None:
    """Make a `section` and write it to `results/NAME.json` alone; what it takes is what that takes."""
    save(name, section(title, columns, rows, **how))


def saved_picture(figure: Any, file: str, caption: str, results: Path = RESULTS) -> PagePicture:
    """A picture of a section: a matplotlib `figure` saved as `file` among the pictures of the results."""
    from nearkey.report.style import save_figure

    save_figure(figure, results / "pictures" / file)
    return PagePicture(f"pictures/{file}", caption)


@cache
def this_tree() -> dict[str, str]:
    """The English pack of this checkout, and the last revision that changed `src` or `models`: "+" where they differ from it."""
    taken = {PACK: read_info(ROOT / "models" / "en" / "pack").version}
    git = ["git", "-C", os.fspath(ROOT)]
    parts = ["--", "src", "models"]
    try:
        log = [*git, "log", "-1", "--format=%h", "--abbrev=7", *parts]
        revision = subprocess.run(log, capture_output=True, text=True, check=True).stdout.strip()
        changed = subprocess.run([*git, "diff", "--quiet", "HEAD", *parts], check=False).returncode
    except (OSError, subprocess.CalledProcessError):
        return taken  # an unpacked archive has no history
    return taken | {"revision": revision + "+" * bool(changed)} if revision else taken


def this_machine() -> dict[str, str]:
    """What a reader must know of the machine behind figures of time or memory."""
    cpuinfo = Path("/proc/cpuinfo")
    told = cpuinfo.read_text(errors="replace") if cpuinfo.exists() else ""
    names = re.findall(r"^model name\s*:\s*(.*?)\s*$", told, re.MULTILINE)
    model = names[0] if names else platform.processor() or platform.machine()
    release = ".".join(platform.release().split(".")[:2])  # what follows names one build
    return {
        "processor": model,
        "cores": str(os.cpu_count()),
        "system": f"{platform.system()} {release}",
        "python": platform.python_version(),
    }
