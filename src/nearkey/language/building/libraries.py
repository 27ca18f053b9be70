"""Running text that other libraries bring: nltk corpora, and data sets of a hub."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from typing import Any

from nearkey.errors import NearkeyError, PackError
from nearkey.language.building.textfiles import ReadOptions, ReadReport

__all__ = ["read_hub", "read_nltk"]


def read_nltk(name: str, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Sentences of an nltk corpus, its tokens joined by spaces. The corpus must be installed."""
    corpora: Any = _library("nltk.corpus", f"nltk:{name}", "pip install nltk")
    reader = getattr(corpora, name, None)
    if reader is None or not hasattr(reader, "sents"):
        raise PackError(
            "nltk has no corpus of sentences by this name",
            where=f"nltk:{name}",
            fix="check the name in nltk's list of corpora",
        )
    try:
        sentences = reader.sents()
        for sentence in sentences:
            report.lines += 1
            yield " ".join(sentence).replace("``", '"').replace("''", '"')
    except LookupError:
        raise PackError(
            "its data is not installed",
            where=f"nltk:{name}",
            fix=f"python -m nltk.downloader {name}",
        ) from None


def read_hub(name: str, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """The text column of a hub data set, streamed. ``NAME`` or ``NAME@SPLIT`` (train by default)."""
    datasets: Any = _library("datasets", f"hub:{name}", "pip install datasets")
    base, _, split = name.partition("@")
    try:
        rows = datasets.load_dataset(base, split=split or "train", streaming=True)
        for row in rows:
            report.lines += 1
            text = row[options.column]
            if isinstance(text, str):
                yield from text.splitlines()
            else:
                report.drop("row without text")
    except KeyError:
        raise PackError(
            f"has no column {options.column!r}", where=f"hub:{name}", fix="set `column`"
        ) from None
    except NearkeyError:
        raise
    except Exception as fault:  # the library raises errors of many kinds, most from the network
        raise PackError(
            f"cannot be read: {fault}",
            where=f"hub:{name}",
            fix="check the name and the network, or download the files and use them with `data`",
        ) from fault


def _library(module: str, where: str, fix: str) -> Any:
    try:
        return import_module(module)
    except ImportError:
        raise NearkeyError(
            f"needs the library {module.partition('.')[0]}", where=where, fix=fix
        ) from None
