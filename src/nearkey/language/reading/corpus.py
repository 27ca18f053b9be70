"""Running text, whatever holds it: files of all kinds that a recipe can name, folders, libraries' corpora.

Reading gives lines; nothing of a text is kept anywhere. Mind that some text is private.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from nearkey.errors import PackError
from nearkey.language.reading import textfiles
from nearkey.language.reading.libraries import (
    LibraryReader,
    read_hub,
    read_nltk,
    read_object,
    read_saved,
)
from nearkey.language.reading.textfiles import LineReader, ReadOptions, ReadReport

LINE_READERS: dict[str, LineReader] = {
    "lines": textfiles.read_plain,
    "paragraphs": textfiles.read_paragraphs,
    "fortune": textfiles.read_fortune,
    "csv": textfiles.read_csv,
    "fields": textfiles.read_fields,
    "json": textfiles.read_json,
    "arrow": textfiles.read_arrow,
    "mail": textfiles.read_mail,
    "xml": textfiles.read_xml,
    "sword": textfiles.read_sword,
    "wordnet": textfiles.read_wordnet,
}

_KIND_BY_SUFFIX = {
    ".txt": "lines",
    ".csv": "csv",
    ".tsv": "csv",
    ".json": "json",
    ".jsonl": "json",
    ".ndjson": "json",
    ".parquet": "arrow",
    ".arrow": "arrow",
    ".feather": "arrow",
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


def read_corpus(
    source: Any,
    *,
    column: str = "text",
    split: str = "test",
    encoding: str = "utf-8",
) -> tuple[str, Iterator[str]]:
    """The title of a text and its lines, as they are read.

    Parameters
    ----------
    source : a file (plain text, one sentence or paragraph a line; CSV, TSV, JSON, JSON Lines, Parquet,
        Arrow; text files also gzipped); a folder that `save_to_disk` of the `datasets` library wrote, or else one
        whose files of these suffixes are read in the order of their names; "nltk:NAME" for a corpus of nltk (its
        data must be installed); "hub:NAME@SPLIT" for a data set the `datasets` library can fetch (needs that library
        and a network; "hub:NAME:CONFIG@SPLIT" where the set has configurations); an object as of `read_object`.
    column : the field or column of the text, where the format has such.
    split : of a hub data set whose name says none.
    encoding : of text files.

    Raises PackError naming the source, and what to do, for one that is not there or cannot be read;
    NearkeyError where a library is missing.
    """
    options, report = ReadOptions(encoding, column=column), ReadReport()
    if not isinstance(source, str | os.PathLike):
        name = type(source).__name__
        found = read_object(source, options, report, where=name, split=split)
        if found is None:
            raise PackError(
                "is no text", where=name, fix="give a file, a table, a data set, or lines of text"
            )
        return name, found
    name = os.fspath(source)
    scheme, _, rest = name.partition(":")
    if scheme == "hub":
        return name, read_hub(rest, options, report, split=split)
    if scheme in LIBRARY_READERS:
        return name, LIBRARY_READERS[scheme](rest, options, report)
    path = Path(name)
    if path.is_dir():
        saved = read_saved(path, options, report, split=split)
        if saved is not None:
            return path.name, saved
        files = sorted(
            file for file in path.iterdir() if _plain(file).suffix.lower() in _KIND_BY_SUFFIX
        )
    else:
        files = [path] if path.is_file() else []
    if not files:
        raise PackError(
            "no text in this folder" if path.is_dir() else "no such file",
            where=name,
            fix="give a text, CSV, JSON, Parquet or Arrow file, nltk:NAME or hub:NAME",
        )

    def lines() -> Iterator[str]:
        for file in files:
            kind = _KIND_BY_SUFFIX.get(_plain(file).suffix.lower(), "lines")
            yield from read_lines([file], kind, options, report)

    return _plain(path).stem, lines()


def _plain(path: Path) -> Path:
    """The name without .gz."""
    return path.with_suffix("") if path.suffix == ".gz" else path
