"""Keeping what was read of a source, so that an interrupted build need not read it again.

A file holds the arrays of a `TextStream`, the whole or a part of one (see `nearkey.language.arrays`), then the
SHA-256 of all bytes before. Its meta values hold the key, the name of what it was made of; with another key
it is out of date.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import unicodedata
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from nearkey.errors import PackError
from nearkey.files import atomic_path
from nearkey.language.arrays import read_arrays, write_arrays
from nearkey.language.reading.streams import StreamPart, TextStream
from nearkey.language.reading.textfiles import ReadReport
from nearkey.language.tokens import joins_marks
from nearkey.packs.recipe import Recipe, TextSource

FORMAT = 2
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
        sorted(recipe.abbreviations or ()),
        recipe.alphabet,
        *(["combining marks"] if joins_marks(recipe.alphabet) else []),
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


@dataclass(slots=True)
class KeptReading:
    """A source's reading: the whole in the file `path`; what an interrupted one read in the files of a folder
    beside it, numbered parts that follow each other.

    Writing raises OSError where that cannot be; reading takes what is damaged or of another key for not there.
    """

    path: Path
    key: str
    n_parts: int = 0

    def whole(self) -> tuple[TextStream, ReadReport] | None:
        """The whole reading, if it is kept."""
        found = _read(self.path, self.key)
        if found is None:
            return None
        text, _, meta = found
        return text, ReadReport(meta["files"], meta["lines"], Counter(dict(meta["dropped"])))

    def keep_whole(self, text: TextStream, report: ReadReport) -> None:
        """Write the whole reading, in place of its parts."""
        _write(
            self.path,
            text,
            key=self.key,
            files=report.files,
            lines=report.lines,
            dropped=list(report.dropped.items()),
        )
        shutil.rmtree(self.folder, ignore_errors=True)

    def parts(self) -> Iterator[tuple[int, StreamPart]]:
        """(lines read until then, part) of those in good order; parts kept later follow on them."""
        while (found := _read(self._next(), self.key)) is not None:
            text, seen, meta = found
            self.n_parts += 1
            yield meta["lines"], StreamPart(text, seen, dict(meta["dropped"]))

    def keep_part(self, lines: int, part: StreamPart) -> None:
        """Write the next part."""
        dropped = list(part.dropped.items())
        _write(self._next(), part.text, part.seen, key=self.key, lines=lines, dropped=dropped)
        self.n_parts += 1

    @property
    def folder(self) -> Path:
        """Where the parts lie."""
        return self.path.with_suffix(".parts")

    def _next(self) -> Path:
        return self.folder / f"{self.n_parts:06d}.bin"


def _write(path: Path, text: TextStream, seen: bytes = b"", **meta: Any) -> None:
    arrays: dict[str, np.ndarray[Any, Any]] = {
        "surfaces": np.frombuffer("\n".join(text.surfaces).encode(), dtype=np.uint8),
        "ids": text.ids,
        "marks": text.punctuation,
        "starts": text.starts.astype(np.uint64),
        "bucket": text.bucket.astype(np.uint16),
        "seen": np.frombuffer(seen, dtype=np.uint8),
    }
    for folder in (path.parent.parent, path.parent):
        # The text can be made out from it, and may be private: folders for their owner alone.
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with atomic_path(path, private=True) as temporary:
        write_arrays(temporary, arrays, meta=meta)
        with temporary.open("rb") as written:
            digest = hashlib.file_digest(written, "sha256").digest()
        with temporary.open("ab") as handle:
            handle.write(digest)


def _read(path: Path, key: str) -> tuple[TextStream, bytes, dict[str, Any]] | None:
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
    if meta.get("key") != key:
        return None
    surfaces = arrays["surfaces"].tobytes().decode()
    text = TextStream(
        surfaces.split("\n") if surfaces else [],
        arrays["ids"].astype(np.int32),
        arrays["marks"].copy(),  # not a view that keeps the whole file in memory
        arrays["starts"].astype(np.int64),
        arrays["bucket"].astype(np.int16),
    )
    return text, arrays["seen"].tobytes(), meta
