"""Reading a recipe's sources into streams and word lists."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Collection, Generator
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import islice
from pathlib import Path

import msgspec

from nearkey.errors import NearkeyError, PackError
from nearkey.language.reading.corpus import LIBRARY_READERS, read_lines
from nearkey.language.reading.libraries import LibraryReader, library_version
from nearkey.language.reading.streams import BUCKETS, StreamReader, TextStream, select
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_plain
from nearkey.language.tokens import joins_marks, letters_of
from nearkey.packs import BuildProgress
from nearkey.packs.fetch import locate
from nearkey.packs.kept import KeptReading, kept_path, source_key
from nearkey.packs.licences import combinable
from nearkey.packs.overlap import without_sentences_of
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
    data: Path | None,
    cache: Path,
    keep_texts: bool = False,
    allow_outside: bool = False,
) -> Generator[BuildProgress, None, Intake]:
    """Fetch and read every source; a progress record before each, and after each `LINES` lines of a text.

    recipe, path : the recipe and its file. data : folder of the corpora that no registry carries. Returns
    all that was read.

    keep_texts : also keep the readings of texts that lie beside the recipe, which may be private. allow_outside : see
    `fetch.locate`.

    The reading of each other text is kept in the `cache` folder and taken from there while neither the text
    nor how it is read has changed; a further record says so. So are its parts, until it is whole: an
    interrupted reading goes on at the last of them. What a text shares with the evaluation texts is left
    out of it in the end.
    """
    into = Intake()
    files_of = partial(locate, recipe=path, data=data, cache=cache, allow_outside=allow_outside)
    todo: list[TextSource | WordSource] = [*recipe.words, *recipe.text, *recipe.evaluation]
    for number, source in enumerate(todo):
        yield BuildProgress("read", number, len(todo), source.title)
        library = isinstance(source, TextSource) and _library_reader(source) is not None
        files = [] if library else files_of(source)
        if source.notice or source.notice_files:
            wanted = msgspec.structs.replace(source, files=source.notice_files)
            found = files_of(wanted) if wanted.files else []
            texts = [source.notice, *(_text_of(file) for file in found)]
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
            place = kept_path(cache, recipe, source) if keep else None
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
    unkept = None if kept is None else _unkept(partial(kept.keep_whole, stream, report))
    if unkept is not None:
        yield _noted(at, f"cannot be kept for a later build: {unkept}")
    return stream, report


def _unkept(keep: Callable[[], None]) -> str | None:
    """Why a reading could not be kept: a build can do without; only an interruption costs more."""
    try:
        keep()
    except NearkeyError as fault:
        return fault.problem
    except OSError as fault:
        return str(fault.strerror or fault)
    return None


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
        unkept = None if kept is None else _unkept(partial(kept.keep_part, done, reader.part()))
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


def _text_of(file: Path) -> str:
    return "".join(read_plain(file, ReadOptions(undecodable="drop"), ReadReport()))


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
