"""All kinds of running text that a recipe can name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from nearkey.errors import PackError
from nearkey.language.reading import collected, textfiles
from nearkey.language.reading.libraries import LibraryReader, read_hub, read_nltk
from nearkey.language.reading.textfiles import LineReader, ReadOptions, ReadReport

__all__ = [
    "LIBRARY_READERS",
    "LINE_READERS",
    "LineReader",
    "ReadOptions",
    "ReadReport",
    "read_lines",
]

LINE_READERS: dict[str, LineReader] = {
    "lines": textfiles.read_plain,
    "paragraphs": textfiles.read_paragraphs,
    "fortune": textfiles.read_fortune,
    "csv": textfiles.read_csv,
    "fields": collected.read_fields,
    "json": textfiles.read_json,
    "arrow": textfiles.read_arrow,
    "mail": collected.read_mail,
    "xml": collected.read_xml,
    "sword": collected.read_sword,
    "wordnet": collected.read_wordnet,
}

LIBRARY_READERS: dict[str, LibraryReader] = {"nltk": read_nltk, "hub": read_hub}
"""Readers of sources that a library brings, by the scheme of their origin."""


def read_lines(
    paths: list[Path], kind: str, options: ReadOptions, report: ReadReport
) -> Iterator[str]:
    """Lines of all files, one after another, by the reader of this kind; PackError for an unknown one."""
    reader = LINE_READERS.get(kind)
    if reader is None:
        raise PackError(
            f"kind {kind!r} is unknown", field="kind", fix=f"use {', '.join(LINE_READERS)}"
        )
    for path in paths:
        report.files += 1
        for line in reader(path, options, report):
            report.lines += 1
            yield line
