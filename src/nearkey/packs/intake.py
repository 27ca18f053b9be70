"""Reading a recipe's sources into streams and word lists.

What was read of a text is kept, so that an interrupted build need not read it again. A file holds the arrays of a
`TextStream`, the whole or a part of one (see `nearkey.language.arrays`), then the SHA-256 of all bytes before. Its
meta values hold the key, the name of what it was made of; with another key it is out of date.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import unicodedata
from collections import Counter, deque
from collections.abc import Collection, Generator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearkey.errors import NearkeyError, PackError
from nearkey.files import atomic_path
from nearkey.language.arrays import read_arrays, write_arrays
from nearkey.language.reading.corpus import (
    LIBRARY_READERS,
    LibraryReader,
    library_version,
    read_lines,
)
from nearkey.language.reading.streams import (
    BUCKETS,
    StreamPart,
    StreamReader,
    TextStream,
    select,
)
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_plain
from nearkey.language.tokens import joins_marks, letters_of
from nearkey.packs import BuildProgress
from nearkey.packs.fetch import cache_folder, locate
from nearkey.packs.licences import combinable
from nearkey.packs.recipe import Recipe, TextSource, WordSource
from nearkey.packs.wordlists import (
    SpellingWords,
    read_counted,
    read_frequencies,
    read_spelling,
)
from nearkey.schema import read_json

_RATED = re.compile(r"""^\s*["']?([^"':\n]+)["']?: (\d+),?$""", re.MULTILINE)

LINES = 100_000
"""Lines of a text between two records of progress, and the most that an interruption costs."""

_Reading = tuple[TextStream, ReadReport]


@dataclass(slots=True)
class Intake:
    """All that was read, by source name; `offensive` and `spelling` are normalised words, `left_out` the
    titles of optional sources that were not there, `notices` the texts to pass on by the source's title."""

    streams: dict[str, TextStream] = field(default_factory=dict)
    evaluation: dict[str, TextStream] = field(default_factory=dict)
    reports: dict[str, ReadReport] = field(default_factory=dict)
    frequencies: dict[str, float] = field(default_factory=dict)
    spelling: SpellingWords = field(default_factory=SpellingWords)
    offensive: set[str] = field(default_factory=set)
    left_out: list[str] = field(default_factory=list)
    notices: dict[str, str] = field(default_factory=dict)


def read_sources(
    recipe: Recipe,
    path: Path,
    *,
    data: str | os.PathLike[str] | None = None,
    cache: str | os.PathLike[str] | None = None,
    keep_texts: bool = False,
    allow_outside: bool = False,
) -> Generator[BuildProgress, None, Intake]:
    """Fetch and read every source; a progress record before each, and after each `LINES` lines of a text.

    recipe, path : the recipe and its file. data : folder of the corpora that no registry carries. cache : where what is
    fetched and read is kept, by default `fetch.cache_folder`. Returns all that was read.

    keep_texts : also keep the readings of texts that lie beside the recipe, which may be private. allow_outside : see
    `fetch.locate`.

    The reading of each other text is kept in the `cache` folder and taken from there while neither the text
    nor how it is read has changed; a further record says so. So are its parts, until it is whole: an
    interrupted reading goes on at the last of them. What a text shares with the evaluation texts is left
    out of it in the end.
    """
    into, kept = Intake(), cache_folder() if cache is None else Path(cache)
    folder = None if data is None else Path(data)
    files_of = partial(locate, recipe=path, data=folder, cache=kept, allow_outside=allow_outside)
    todo: list[TextSource | WordSource] = [*recipe.words, *recipe.text, *recipe.evaluation]
    for number, source in enumerate(todo):
        yield BuildProgress("read", number, len(todo), source.title)
        library = isinstance(source, TextSource) and _library_reader(source) is not None
        files = [] if library else files_of(source)
        if source.notice or source.notice_files:
            wanted = msgspec.structs.replace(source, files=source.notice_files)
            found = files_of(wanted) if wanted.files else []
            options = ReadOptions(undecodable="drop")
            texts = [
                source.notice,
                *("".join(read_plain(file, options, ReadReport())) for file in found),
            ]
            into.notices[source.title] = "\n\n".join(text.strip() for text in texts if text)
        if combinable(source.licence, recipe.licence) is None and source not in recipe.evaluation:
            note = f"{source.title}: whether {source.licence!r} allows {recipe.licence} is not known here"
            yield BuildProgress("licences", note=note)
        if isinstance(source, WordSource):
            remark = _read_words(source, files, recipe, into)
            if remark:
                yield BuildProgress("read", number, len(todo), f"{source.title}: {remark}")
        elif files or library:
            keep = keep_texts or source.origin != "here"
            place = kept_path(kept, recipe, source) if keep else None
            at = BuildProgress("read", number, len(todo), source.title)
            stream, report = yield from _kept_or_read(source, files, recipe, place, at)
            into.reports[source.name] = report
            (into.streams if source in recipe.text else into.evaluation)[source.name] = stream
        else:
            into.left_out.append(source.title)
    for name, stream in into.streams.items():
        kept_apart, dropped = without_sentences_of(stream, list(into.evaluation.values()))
        if dropped:
            into.streams[name] = kept_apart
            into.reports[name].drop("sentence of an evaluation text", dropped)
    yield BuildProgress("read", len(todo), len(todo))
    return into


def _kept_or_read(
    source: TextSource, files: list[Path], recipe: Recipe, place: Path | None, at: BuildProgress
) -> Generator[BuildProgress, None, _Reading]:
    """A text as kept at `place`, or read and then kept there, where there is one; its progress is that of `at`."""
    version = "" if files else library_version(source.origin)
    key = None
    if place is not None and version is not None:
        key = source_key(source, files, recipe, version=version)
    kept = None if place is None or key is None else KeptReading(place, key)
    whole = None if kept is None else kept.whole()
    if whole is not None:
        yield _noted(at, "read by an earlier build")
        return whole
    stream, report = yield from reading(source, files, recipe, kept, at=at)
    if stream.n_words == 0:
        raise PackError(
            "holds no words",
            where=", ".join(str(file) for file in files[:3]) or source.origin,
            field=source.name,
            fix="check `kind`, or take the source out",
        )
    unkept = None if kept is None else kept.keep_whole(stream, report)
    if unkept is not None:
        yield _noted(at, f"cannot be kept for a later build: {unkept}")
    return stream, report


def _noted(at: BuildProgress, note: str) -> BuildProgress:
    return replace(at, note=f"{at.note}: {note}")


def _library_reader(source: TextSource) -> LibraryReader | None:
    return LIBRARY_READERS.get(source.origin.partition(":")[0])


def reading(
    source: TextSource,
    files: list[Path],
    recipe: Recipe,
    kept: KeptReading | None = None,
    *,
    at: BuildProgress | None = None,
) -> Generator[BuildProgress, None, _Reading]:
    """Read one source of running text, `LINES` lines at a time; yields how far it is.

    With `kept` it goes on where its parts end, and puts away what it reads; `at` is the build's own progress.
    """
    at = at or BuildProgress("read", 0, 1, source.title)
    report = ReadReport()
    options = ReadOptions(source.encoding, source.undecodable, source.column)
    library = _library_reader(source)
    if library is None:
        lines = read_lines(files, source.kind, options, report)
    else:
        lines = library(source.origin.partition(":")[2], options, report)
    reader = StreamReader(
        deduplicate=source.deduplicate,
        abbreviations=frozenset(recipe.abbreviations or ()),
        alphabet="" if "a" in recipe.alphabet else recipe.alphabet,
        combining=joins_marks(recipe.alphabet),
    )
    done = 0
    if kept is not None:
        for until, part in kept.parts():
            reader.take_up(part)
            done = until
        if done:
            yield _noted(at, f"{done:,} lines read by an earlier build")
            deque(islice(lines, done), maxlen=0)  # the readers count anew what they drop
    while block := list(islice(lines, LINES)):
        reader.read(block)
        done += len(block)
        if len(block) < LINES:
            break
        unkept = None if kept is None else kept.keep_part(done, reader.part())
        if unkept is not None:
            yield _noted(at, f"what is read cannot be kept: {unkept}")
            kept = None
        yield _noted(at, f"{done:,} lines")
    report.dropped.update(reader.dropped)
    stream = reader.stream()
    low, high = source.part
    if (low, high) != (0, BUCKETS):
        stream = select(stream, (stream.bucket >= low) & (stream.bucket < high))
    return stream, report


def _read_words(source: WordSource, files: list[Path], recipe: Recipe, into: Intake) -> str:
    """Read a list into `into`; a remark where most of its words cannot be written with the alphabet."""
    options = ReadOptions(source.encoding, column=source.column)
    if source.kind == "spelling":
        listed_words = read_spelling(
            files, options, normalise=recipe.normalise, language=recipe.language
        )
        into.spelling.take(listed_words)
        return _strange(listed_words.words, recipe)
    remark = ""
    for file in files:
        if source.kind == "offensive":
            listed = _read_offensive(file, source, options)
            into.offensive |= {recipe.normalise(word) for word in listed}
            continue
        if source.kind == "centibels":
            frequencies = read_frequencies(file, normalise=recipe.normalise)
        else:
            frequencies = read_counted(file, options, normalise=recipe.normalise)
        for word, frequency in frequencies.items():
            into.frequencies[word] = into.frequencies.get(word, 0.0) + frequency
        remark = remark or _strange(frequencies, recipe)
    return remark


def _strange(words: Collection[str], recipe: Recipe) -> str:
    """A remark if most of the words have characters outside the alphabet."""
    allowed = frozenset(recipe.alphabet)
    fit = sum(allowed.issuperset(letters_of(word)) for word in words)
    if 2 * fit >= len(words):
        return ""
    return f"{len(words) - fit:,} of {len(words):,} words are not spelled with the alphabet"


def _read_offensive(file: Path, source: WordSource, options: ReadOptions) -> list[str]:
    """One word a line, a JSON list of words, a JSON map of words to ratings, or a JavaScript one."""
    if file.suffix == ".json":
        listed = read_json(file, PackError)
        if isinstance(listed, dict):
            listed = [word for word, rating in listed.items() if rating >= source.min_rating]
    elif file.suffix == ".js":
        listed = [
            word
            for word, rating in _RATED.findall(file.read_text("utf-8"))
            if int(rating) >= source.min_rating
        ]
    else:
        listed = [line.strip() for line in read_plain(file, options, ReadReport())]
    return [word for word in listed if word and not word.startswith("#")]


# ---- what evaluation texts share with a text ----

Keys = NDArray[np.uint64]

SHORTEST = 5
"""Shorter sentences are what everybody says, and no sign of a common source."""
LONG = 10
"""A longer sentence overlaps when it shares this many words in a row (long n-grams in common are the usual sign of
training text in evaluation text; common practice, no source for the number)."""


def without_sentences_of(
    stream: TextStream, evaluation: Sequence[TextStream]
) -> tuple[TextStream, int]:
    """`stream` without the sentences that overlap with the evaluation texts, and how many those were.

    A sentence of `SHORTEST` words and more overlaps when it is there, whatever its case; one of more than `LONG` also
    when `LONG` words in a row are.
    """
    if not evaluation or not stream.n_sentences:
        return stream, 0
    drop = np.zeros(stream.n_sentences, dtype=bool)
    words = _word_keys(stream)
    others = [(other, _word_keys(other)) for other in evaluation]
    for length in range(SHORTEST, LONG + 1):
        at, sentence = _places(stream, length)
        theirs = [_windows(keys, _places(other, length)[0], length) for other, keys in others]
        drop[sentence[np.isin(_windows(words, at, length), np.concatenate(theirs))]] = True
    return select(stream, ~drop), int(drop.sum())


def _word_keys(stream: TextStream) -> Keys:
    """A 64-bit key for each word, the same in every text and case."""
    of_surface = [
        int.from_bytes(hashlib.blake2b(surface.lower().encode(), digest_size=8).digest(), "little")
        for surface in stream.surfaces
    ]
    return np.array(of_surface, dtype=np.uint64)[stream.ids]


def _windows(words: Keys, starts: NDArray[np.int64], length: int) -> Keys:
    """A key for the `length` words from each start; equal windows have equal keys."""
    keys = np.zeros(len(starts), dtype=np.uint64)
    for offset in range(length):
        keys = keys * np.uint64(0x9E3779B97F4A7C15) + words[starts + offset]
    return keys


def _places(stream: TextStream, length: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where so many words in a row begin within a sentence, and in which; below `LONG`, whole sentences only."""
    sizes = np.diff(stream.starts)
    counts = np.maximum(sizes - length + 1, 0)
    if length < LONG:
        counts[sizes > length] = 0
    sentence = np.repeat(np.arange(stream.n_sentences), counts)
    first = np.cumsum(counts) - counts
    return stream.starts[:-1][sentence] + np.arange(len(sentence)) - first[sentence], sentence


# ---- what is kept ----

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

    Writing says why it cannot be done, if so: a build can do without; only an interruption costs more. Reading takes
    what is damaged or of another key for not there.
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

    def keep_whole(self, text: TextStream, report: ReadReport) -> str | None:
        """Write the whole reading, in place of its parts."""
        unkept = _write(
            self.path,
            text,
            key=self.key,
            files=report.files,
            lines=report.lines,
            dropped=list(report.dropped.items()),
        )
        if unkept is None:
            shutil.rmtree(self.folder, ignore_errors=True)
        return unkept

    def parts(self) -> Iterator[tuple[int, StreamPart]]:
        """(lines read until then, part) of those in good order; parts kept later follow on them."""
        while (found := _read(self._next(), self.key)) is not None:
            text, seen, meta = found
            self.n_parts += 1
            yield meta["lines"], StreamPart(text, seen, dict(meta["dropped"]))

    def keep_part(self, lines: int, part: StreamPart) -> str | None:
        """Write the next part."""
        dropped = list(part.dropped.items())
        place, self.n_parts = self._next(), self.n_parts + 1
        return _write(place, part.text, part.seen, key=self.key, lines=lines, dropped=dropped)

    @property
    def folder(self) -> Path:
        """Where the parts lie."""
        return self.path.with_suffix(".parts")

    def _next(self) -> Path:
        return self.folder / f"{self.n_parts:06d}.bin"


def _write(path: Path, text: TextStream, seen: bytes = b"", **meta: Any) -> str | None:
    """Write a file, or say why it cannot be written."""
    arrays: dict[str, np.ndarray[Any, Any]] = {
        "surfaces": np.frombuffer("\n".join(text.surfaces).encode(), dtype=np.uint8),
        "ids": text.ids,
        "marks": text.punctuation,
        "starts": text.starts.astype(np.uint64),
        "bucket": text.bucket.astype(np.uint16),
        "seen": np.frombuffer(seen, dtype=np.uint8),
    }
    try:
        for folder in (path.parent.parent, path.parent):
            # The text can be made out from it, and may be private: folders for their owner alone.
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with atomic_path(path, private=True) as temporary:
            write_arrays(temporary, arrays, meta=meta)
            with temporary.open("rb") as written:
                digest = hashlib.file_digest(written, "sha256").digest()
            with temporary.open("ab") as handle:
                handle.write(digest)
    except NearkeyError as fault:
        return fault.problem
    except OSError as fault:
        return str(fault.strerror or fault)
    return None


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
