"""What all commands share: bars, files that are not overwritten, layouts by name or file."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from nearkey.errors import LayoutError, NearkeyError
from nearkey.layout import Layout, catalogue_names
from nearkey.text_table import field_lines

__all__ = [
    "FILE",
    "FOLDER",
    "fit_option",
    "force_option",
    "json_option",
    "json_text",
    "named_or_file",
    "new_png",
    "output_option",
    "progress_bar",
    "refuse_to_overwrite",
    "show_fields",
]

FILE, FOLDER = click.Path(dir_okay=False), click.Path(file_okay=False)

fit_option = click.option(
    "--fit-mm", nargs=2, type=float, help="Lay layouts on a surface of W x H mm first."
)
force_option = click.option("--force", is_flag=True, help="Overwrite files that are there.")


def output_option(what: str, *, required: bool = False) -> Callable[[Any], Any]:
    """The option -o of a command that writes one file: `what` it is, and whether it is `required`."""
    return click.option("-o", "--output", type=FILE, required=required, help=what)


def json_option(what: str) -> Callable[[Any], Any]:
    """The option --json of a command that prints `what` as text without it."""
    return click.option("--json", "as_json", is_flag=True, help=f"Print {what} as JSON.")


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar with a `label` on standard error when that is a terminal: call it with (done, total)."""
    try:
        from tqdm import tqdm
    except ImportError:
        tqdm = None
    if tqdm is None or not sys.stderr.isatty():
        yield lambda done, total: None
        return
    with tqdm(desc=label, unit="part", leave=False) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.n = done
            bar.refresh()

        yield show


def refuse_to_overwrite(path: Path, force: bool) -> None:
    """NearkeyError where there is something at `path` already, unless `force` is said."""
    if path.exists() and not force:
        raise NearkeyError(
            "is there already", where=str(path), fix="name another file, or say --force"
        )


def json_text(data: Any) -> str:
    """Plain data as JSON that any reader takes: what is not a finite number becomes null."""
    return json.dumps(_finite(data), indent=1, ensure_ascii=False, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, dict):
        return {name: _finite(value) for name, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data


def new_png(path: str, force: bool) -> None:
    """Check the `path` of a picture before the work it is of; `force` lets an old one be replaced."""
    if not path.endswith(".png"):
        raise NearkeyError("is no PNG file", where=path, fix="end the name in .png")
    refuse_to_overwrite(Path(path), force)


def named_or_file(name: str, fit_mm: tuple[float, float] | None = None) -> Layout:
    """A layout of the catalogue by name, else a spec file; laid on a surface of `fit_mm` (width, height) if given."""
    if name in catalogue_names():
        found = Layout.named(name)
    elif Path(name).exists():
        found = Layout.load(name)
    else:
        raise LayoutError(
            "neither a file nor a layout of the catalogue",
            where=name,
            fix=f"check the path, or name one of {', '.join(catalogue_names())}",
        )
    return found.fitted(*fit_mm) if fit_mm else found


def show_fields(fields: dict[str, Any], as_json: bool) -> None:
    """Print named values, a line for each of the `fields` or, `as_json`, as JSON."""
    text = json_text(fields) if as_json else field_lines(fields)
    if text:
        click.echo(text)
