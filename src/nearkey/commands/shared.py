"""What all commands share: bars, files that are not overwritten, layouts by name or file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nearkey.errors import NearkeyError
from nearkey.files import atomic_path
from nearkey.layout import Layout, catalogue_names

__all__ = ["named_or_file", "progress_bar", "refuse_to_overwrite", "save_figure"]


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error when that is a terminal: call it with (done, total)."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    try:
        from tqdm import tqdm
    except ImportError:
        yield lambda done, total: None
        return
    with tqdm(desc=label, unit="part", leave=False) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.n = done
            bar.refresh()

        yield show


def refuse_to_overwrite(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise NearkeyError(
            "is there already", where=str(path), fix="name another file, or say --force"
        )


def named_or_file(name: str) -> Layout:
    """A layout of the catalogue by name, else a spec file."""
    return Layout.named(name) if name in catalogue_names() else Layout.load(name)


def save_figure(figure: Any, path: str) -> None:
    """Write a matplotlib figure as PNG, whole or not at all."""
    with atomic_path(path) as temporary:
        figure.savefig(temporary, format="png", dpi=150, metadata={"Software": None})
