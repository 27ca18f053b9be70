"""Running text, whatever holds it: files of all kinds that a recipe can name, folders, libraries' corpora.

Reading gives lines; nothing of a text is kept anywhere. Mind that some text is private.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from importlib import import_module
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

from nearkey.errors import NearkeyError, PackError
from nearkey.extras import library
from nearkey.language.reading import textfiles
from nearkey.language.reading.textfiles import (
    LineReader,
    ReadOptions,
    ReadReport,
    no_column,
)

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

LibraryReader = Callable[[str, ReadOptions, ReadReport], Iterator[str]]
"""As `textfiles.LineReader`, of a name in the library instead of a path."""

_TEXTS = ("sents", "posts", "strings")
"""What nltk's readers call running text: sentences, chat posts, whole short messages."""

_TO_FETCH = re.compile(r"nltk\.download\(['\"]([^'\"]+)")
_SPLIT_APOSTROPHE = re.compile(r"(?<=[^\W\d_]) ' (?=(?:s|t|d|m|re|ve|ll) )", re.IGNORECASE)
# Penn Treebank's escapes; and the round brackets of the Spanish and Catalan treebanks.
_ESCAPES = {"\\/": "/", "\\*": "*", "-Fpa-": "(", "-Fpt-": ")"}
_ELLIPSIS = re.compile(r"\.\.\.(?=[^\W_])")
_FILLED = 0.8  # of the longest line of a paragraph; wrapped lines are filled further than that
_NOT_WRITTEN = "-NONE-"  # a treebank's tag of traces and other tokens that nobody wrote

_BY_HAND = "or download its files and name them as a text of origin `data` or `here`"
_SPELLING = "write hub:NAME@SPLIT, or hub:NAME:CONFIG@SPLIT where it has configurations"


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


# ---- what other libraries bring: nltk corpora, and data sets of a hub ----


def read_nltk(name: str, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """The text of an nltk corpus, as it was written: a sentence, post or paragraph at a time.

    The corpus' data must be installed. Of plain-text corpora the paragraphs themselves are read, so that
    no sentence tokenizer is needed and no word is cut; of others the tokens, put together by `join_tokens`.
    PackError says what is missing and how to get it; NearkeyError that nltk is.
    """
    where = f"nltk:{name}"
    corpora: Any = library("nltk.corpus", where=where)
    reader = getattr(corpora, name, None) if name else None
    if not isinstance(reader, (corpora.LazyCorpusLoader, corpora.CorpusReader)):
        raise PackError(
            "nltk has no corpus of this name", where=where, fix="check it in nltk's list of corpora"
        )
    return _nltk_lines(reader, where, report)


def _nltk_lines(reader: Any, where: str, report: ReadReport) -> Iterator[str]:
    fix = "fetch its data again: python -m nltk.downloader with --force"
    return _lines(_nltk_texts(reader, where), report, where, fix)


def _lines(texts: Iterable[str], report: ReadReport, where: str, fix: str) -> Iterator[str]:
    """The lines of texts; what the library raises as it reads on, and that differs, as an error of ours."""
    try:
        for text in texts:
            for line in text.splitlines():
                report.lines += 1
                yield line
    except NearkeyError:
        raise
    except Exception as fault:
        raise _unread(fault, where, fix) from fault


def library_version(origin: str) -> str | None:
    """What an ``nltk:`` or ``hub:`` text is at present: it differs when the text has changed. None where that
    cannot be told; reading then says why.
    """
    scheme, _, name = origin.partition(":")
    try:
        if scheme == "hub":
            base, config, _ = _hub_parts(name)
            builder = import_module("datasets").load_dataset_builder(base, config)
            return str(builder.hash)  # of the revision at the hub, or of a folder's files
        reader = getattr(import_module("nltk.corpus"), name)
        reader.ensure_loaded()
        files = {getattr(path, "zipfile", path) for path in reader.abspaths()}
        digest = hashlib.sha256(import_module("nltk").__version__.encode())
        for file in sorted(str(getattr(file, "filename", file)) for file in files):
            with Path(file).open("rb") as handle:
                digest.update(hashlib.file_digest(handle, "sha256").digest())
        return digest.hexdigest()
    except Exception:  # whatever it is, the reader meets it too
        return None


def _unread(fault: Exception, where: str, fix: str) -> PackError:
    # nltk's message says which data package is missing: the corpus', or that of a tokenizer it needs.
    missing = _TO_FETCH.search(str(fault)) if isinstance(fault, LookupError) else None
    problem = f"cannot be read: {_message(fault)}"
    if missing:
        problem = f"nltk's data package {missing.group(1)} is not installed"
        fix = f"python -m nltk.downloader {missing.group(1)}"
    return PackError(problem, where=where, fix=fix)


def _nltk_texts(reader: Any, where: str) -> Iterator[str]:
    """Lines, paragraphs or whole messages of a corpus reader."""
    from nltk.corpus.reader import BracketParseCorpusReader, PlaintextCorpusReader

    reader.ensure_loaded()
    if isinstance(reader, PlaintextCorpusReader):
        for file in reader.fileids():
            yield from _unwrapped(reader.raw(file))
        return
    if isinstance(reader, BracketParseCorpusReader):
        for tagged in reader.tagged_sents():
            yield join_tokens([token for token, tag in tagged if tag != _NOT_WRITTEN])
        return
    texts = next((getattr(reader, part) for part in _TEXTS if hasattr(reader, part)), None)
    if texts is None:
        raise PackError("has no running text", where=where, fix="choose a corpus of sentences")
    for text in texts():
        yield text if isinstance(text, str) else join_tokens(text)


def _unwrapped(text: str) -> Iterator[str]:
    """Paragraphs as nltk has them, between empty lines, in one line each; but where the next word would have
    fitted easily, the line's end was meant, and in a paragraph of mostly such lines every end was: verses, or
    a list of messages.
    """
    for _, group in groupby(text.splitlines(), key=lambda line: not line.strip()):
        lines = [" ".join(line.split()) for line in group]
        room = _FILLED * max(map(len, lines))
        fits = [len(a) + 1 + len(b.partition(" ")[0]) <= room for a, b in pairwise(lines)]
        a_list = 2 * sum(fits) > len(fits)
        joined = lines[0]
        for meant, line in zip(fits, lines[1:], strict=True):
            if meant or a_list:
                yield joined
                joined = line
            else:
                joined = f"{joined} {line}"
        yield joined


def join_tokens(tokens: Sequence[str]) -> str:
    """Tokens as the text they were cut from: ``do n't`` is "don't" again, ``Sam 's`` "Sam's", two backquotes
    a quotation mark and ``-LRB-`` a bracket. By nltk's detokenizer of Penn Treebank's conventions.
    """
    from nltk.tokenize.treebank import TreebankWordDetokenizer

    text = " ".join(tokens) + " "
    for escape, meant in _ESCAPES.items():
        text = text.replace(escape, meant)
    if " ' " in text:  # some tokenizers cut at the apostrophe too: don ' t
        text = _SPLIT_APOSTROPHE.sub("'", text)
    joined: str = TreebankWordDetokenizer().detokenize(text.split(), convert_parentheses=True)
    return _ELLIPSIS.sub("... ", joined)  # which the detokenizer glues to the next word


def read_hub(
    name: str, options: ReadOptions, report: ReadReport, *, split: str = "train"
) -> Iterator[str]:
    """The text column of a hub data set, streamed: none of it is kept on this machine.

    `name` is ``NAME``, ``NAME@SPLIT``, ``NAME:CONFIG`` or ``NAME:CONFIG@SPLIT``; NAME may also be a folder of
    data files. `split` is taken where `name` has none. A row may hold one text or a list of them.
    PackError says what cannot be read and what to do; NearkeyError that the library is missing.
    """
    where = f"hub:{name}"
    base, config, named_split = _hub_parts(name)
    if not base:
        raise PackError("names no data set", where=where, fix=_SPELLING)
    datasets: Any = library("datasets", where=where)
    try:
        rows = datasets.load_dataset(base, config, split=named_split or split, streaming=True)
    except Exception as fault:  # the library raises errors of many kinds, most from the network
        raise _hub_fault(fault, where) from fault
    return _column(rows, options, report, where, fix=f"check the network, {_BY_HAND}")


def _column(
    rows: Any, options: ReadOptions, report: ReadReport, where: str, *, fix: str
) -> Iterator[str]:
    """The text column of a data set's rows; `fix` for what goes wrong as they are read."""
    column = options.column
    if rows.column_names is not None:
        if column not in rows.column_names:
            raise no_column(column, where, _one_of(rows.column_names))
        # Or the sound and pictures beside the text would be decoded too.
        rows = rows.select_columns([column])

    def texts() -> Iterator[str]:
        for row in rows:
            if column not in row:
                raise no_column(column, where, _one_of(row))
            for text in row[column] if isinstance(row[column], list) else [row[column]]:
                if isinstance(text, str):
                    yield text
                else:
                    report.drop("row without text")

    # What fails is the network or, row by row, a damaged file.
    return _lines(texts(), report, where, fix)


def read_saved(
    folder: Path, options: ReadOptions, report: ReadReport, *, split: str
) -> Iterator[str] | None:
    """The text column of a data set that `save_to_disk` of the `datasets` library wrote; None for another folder.

    split : which, of several. Raises PackError for one that is not there, NearkeyError without the library.
    """
    several = (folder / "dataset_dict.json").is_file()
    if not several and not (
        (folder / "state.json").is_file() and (folder / "dataset_info.json").is_file()
    ):
        return None
    datasets: Any = library("datasets", where=folder)
    try:
        rows = datasets.load_from_disk(str(folder))
    except Exception as fault:  # damaged files, of any of its formats
        raise _unread(fault, str(folder), "save the data set again") from fault
    return read_object(rows, options, report, where=str(folder), split=split)


def read_object(
    source: Any, options: ReadOptions, report: ReadReport, *, where: str, split: str
) -> Iterator[str] | None:
    """The text of another library's object: a reader of nltk, one's own too, a data set, or a table's column.

    Parameters
    ----------
    source : an nltk corpus reader; a `Dataset`, `IterableDataset` or a dictionary of such by split, of the `datasets`
        library; a DataFrame of pandas or Polars, a pyarrow Table. where : for errors. split : which, of several.

    None for what is none of these. Raises PackError for a split or a column that is not there.
    """
    if hasattr(source, "fileids") and hasattr(source, "ensure_loaded"):
        return _nltk_lines(source, f"nltk:{where}", report)
    if (
        isinstance(source, Mapping)
        and source
        and all(hasattr(s, "column_names") for s in source.values())
    ):
        if split not in source:
            raise PackError(
                f"has no split {split!r}", where=where, field="split", fix=_one_of(map(str, source))
            )
        source = source[split]
    fix = "check the data set"
    if hasattr(source, "select_columns") and hasattr(source, "column_names"):
        # A data set, streamed or not; a table of pyarrow has no method of this name but `select`.
        return _column(source, options, report, where, fix=fix)
    names = getattr(source, "column_names", None)
    names = getattr(source, "columns", None) if names is None else names
    if names is None or isinstance(source, Mapping):
        return None
    if options.column not in list(names):
        raise no_column(options.column, where, _one_of(map(str, names)))
    texts = source[options.column]
    given = texts.to_pylist() if hasattr(texts, "to_pylist") else texts.to_list()
    return _lines((text for text in given if isinstance(text, str)), report, where, fix)


def _hub_parts(name: str) -> tuple[str, str | None, str | None]:
    """(data set or folder, configuration, split); the latter two hold no slash, a folder's name anything."""

    def cut(name: str, sign: str) -> tuple[str, str | None]:
        base, found, tail = name.rpartition(sign)
        if not found or "/" in tail or Path(name).is_dir():
            return name, None
        return base, tail or None

    name, split = cut(name, "@")
    name, config = cut(name, ":")
    return name, config, split


def _hub_fault(fault: Exception, where: str) -> PackError:
    """What the library says when it cannot open a data set, and what to do about it."""
    if isinstance(fault, FileNotFoundError):
        fix = "check the name; a data set that is not public cannot be read"
    elif isinstance(fault, ConnectionError):
        fix = f"check the network, {_BY_HAND}"
    elif type(fault) is ValueError:  # an unknown split or configuration: the message lists them
        fix = _SPELLING
    else:
        fix = f"check name and network, {_BY_HAND}"
    return PackError(f"cannot be opened: {_message(fault)}", where=where, fix=fix)


def _one_of(columns: Iterable[str]) -> str:
    return f"one of {', '.join(columns)}"


def _message(fault: Exception) -> str:
    return str(fault).rstrip(". ") or type(fault).__name__


LIBRARY_READERS: dict[str, LibraryReader] = {"nltk": read_nltk, "hub": read_hub}
"""Readers of sources that a library brings, by the scheme of their origin."""
