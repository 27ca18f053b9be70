"""Keeping what was read of a source, so that an interrupted build need not read it again.

A file holds the arrays of a `TextStream`, or of a part of one (see `nearkey.language.arrays`), then the
SHA-256 of all bytes before. Its meta values hold the key, the name of what it was made of; with another key
it is out of date.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.files import atomic_path
from nearkey.language.arrays import read_arrays, write_arrays
from nearkey.language.reading.streams import StreamPart, TextStream
from nearkey.language.reading.textfiles import ReadReport
from nearkey.packs.recipe import Recipe, TextSource

__all__ = ["KeptParts", "keep_source", "kept_path", "kept_source", "source_key"]

FORMAT = 1
"""Raise it when the same text is read to other streams: new rules in `tokens`, in a reader, in `streams`."""

_DIGEST_BYTES = 32


def kept_path(cache: Path, recipe: Recipe, source: TextSource) -> Path:
    """Where a source's reading is kept; one file for each source of a recipe, so that it does not pile up."""
    plain = re.sub(r"[^A-Za-z0-9._=@+-]", "_", source.name)
    return cache / "read" / recipe.name / f"{plain}.bin"


def source_key(
    source: TextSource, files: list[Path], recipe: Recipe, *, version: str = ""
) -> str | None:
    """SHA-256 (hex) of all that the reading depends on: the files, how they are read, the format; of a text
    that has no files here, its origin and `version`.

    None where a file cannot be opened: the source's reader says so better.
    """
    settings = (
        FORMAT,
        unicodedata.unidata_version,
        source.kind,
        source.encoding,
        source.undecodable,
        source.column,
        source.deduplicate,
        source.part,
        sorted(recipe.abbreviations),
        recipe.alphabet,
    )
    contents = [(source.origin, version)] if version else []
    for file in files:
        # A Sword module's index is named, its text lies beside it.
        beside = [file.with_suffix(".bzz")] if source.kind == "sword" else []
        for path in (file, *beside):
            try:
                with path.open("rb") as handle:
                    digest = hashlib.file_digest(handle, "sha256").hexdigest()
            except OSError:
                return None
            contents.append((path.name, digest))  # the name's ending tells readers what to do
    return hashlib.sha256(msgspec.json.encode((settings, contents))).hexdigest()


def keep_source(path: Path, key: str, stream: TextStream, report: ReadReport) -> None:
    """Write a source's reading, whole or not at all. Raises OSError where it cannot be written."""
    _write(
        path,
        {
            "surfaces": _packed(stream.surfaces),
            "ids": stream.ids,
            "marks": stream.punctuation,
            "starts": stream.starts.astype(np.uint64),
            "bucket": stream.bucket.astype(np.uint16),
        },
        meta={
            "key": key,
            "files": report.files,
            "lines": report.lines,
            "dropped": list(report.dropped.items()),
        },
    )


def kept_source(path: Path, key: str) -> tuple[TextStream, ReadReport] | None:
    """A reading kept under this key; None where there is none, or it is of another key, or damaged."""
    found = _read(path, key)
    if found is None:
        return None
    arrays, meta = found
    stream = TextStream(
        _unpacked(arrays["surfaces"]),
        arrays["ids"].astype(np.int32),
        arrays["marks"].copy(),  # not a view that keeps the whole file in memory
        arrays["starts"].astype(np.int64),
        arrays["bucket"].astype(np.int16),
    )
    return stream, ReadReport(meta["files"], meta["lines"], Counter(dict(meta["dropped"])))


@dataclass(slots=True)
class KeptParts:
    """The parts of a source that an interrupted reading left, in a folder of numbered files."""

    folder: Path
    key: str
    count: int = 0

    @classmethod
    def beside(cls, path: Path, key: str) -> KeptParts:
        """Those of the source whose whole reading belongs at `path`."""
        return cls(path.with_suffix(".parts"), key)

    def taken_up(self) -> Iterator[tuple[int, StreamPart]]:
        """(lines read until then, part) of those in good order; parts kept later follow on them."""
        while (found := _read(self._file(), self.key)) is not None:
            arrays, meta = found
            self.count += 1
            yield (
                meta["lines"],
                StreamPart(
                    _unpacked(arrays["surfaces"]),
                    arrays["ids"],
                    arrays["marks"],
                    arrays["lengths"],
                    arrays["bucket"],
                    arrays["seen"].tobytes(),
                    dict(meta["dropped"]),
                ),
            )

    def keep(self, lines: int, part: StreamPart) -> None:
        """Write the next part. Raises OSError where it cannot be written."""
        _write(
            self._file(),
            {
                "surfaces": _packed(part.surfaces),
                "ids": part.ids,
                "marks": part.punctuation,
                "lengths": part.lengths,
                "bucket": part.bucket,
                "seen": np.frombuffer(part.seen, dtype=np.uint8),
            },
            meta={"key": self.key, "lines": lines, "dropped": list(part.dropped.items())},
        )
        self.count += 1

    def discard(self) -> None:
        """Remove them all: the whole is read."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _file(self) -> Path:
        return self.folder / f"{self.count:06d}.bin"


def _packed(surfaces: list[str]) -> NDArray[np.uint8]:
    return np.frombuffer("\n".join(surfaces).encode(), dtype=np.uint8)


def _unpacked(packed: NDArray[np.uint8]) -> list[str]:
    return packed.tobytes().decode().split("\n") if packed.size else []


def _write(path: Path, arrays: Mapping[str, NDArray[Any]], meta: Mapping[str, Any]) -> None:
    for folder in (path.parent.parent, path.parent):
        # The text can be made out from it, and may be private: folders for their owner alone.
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with atomic_path(path) as temporary:
        write_arrays(temporary, arrays, meta=meta)
        with temporary.open("rb") as written:
            digest = hashlib.file_digest(written, "sha256").digest()
        with temporary.open("ab") as handle:
            handle.write(digest)


def _read(path: Path, key: str) -> tuple[dict[str, NDArray[Any]], dict[str, Any]] | None:
    try:
        data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    except OSError:
        return None
    body, digest = data[:-_DIGEST_BYTES], data[-_DIGEST_BYTES:]
    if hashlib.sha256(body.data).digest() != digest.tobytes():
        return None
    try:
        arrays, meta = read_arrays(path, data=body)
    except PackError:
        return None
    return (arrays, meta) if meta.get("key") == key else None
