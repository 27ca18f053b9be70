"""Reading a recipe's sources into streams and word lists."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from nearkey.errors import PackError
from nearkey.language.building.fetch import locate
from nearkey.language.building.formats import LIBRARY_READERS, read_lines
from nearkey.language.building.kept import keep_source, kept_path, kept_source, source_key
from nearkey.language.building.progress import Progress
from nearkey.language.building.recipe import Recipe, TextSource, WordSource
from nearkey.language.building.streams import TextStream, read_stream, select
from nearkey.language.building.textfiles import ReadOptions, ReadReport, read_plain
from nearkey.language.building.wordlists import read_counted, read_frequencies, read_spelling
from nearkey.language.tokens import normalise_word

_RATED = re.compile(r"""^\s*["']?([^"':\n]+)["']?: (\d+),?$""", re.MULTILINE)

__all__ = ["Intake", "read_sources", "read_text_source"]


@dataclass(slots=True)
class Intake:
    """All that was read, by source name; `offensive` and `spelling` are normalised words, `left_out` the
    titles of optional sources that were not there."""

    streams: dict[str, TextStream] = field(default_factory=dict)
    evaluation: dict[str, TextStream] = field(default_factory=dict)
    reports: dict[str, ReadReport] = field(default_factory=dict)
    frequencies: dict[str, float] = field(default_factory=dict)
    spelling: set[str] = field(default_factory=set)
    listed_forms: dict[str, str] = field(default_factory=dict)
    offensive: set[str] = field(default_factory=set)
    left_out: list[str] = field(default_factory=list)


def read_sources(
    recipe: Recipe, path: Path, *, data: Path | None, cache: Path, into: Intake
) -> Iterator[Progress]:
    """Fetch and read every source; a progress record before each.

    The reading of each text is kept in the `cache` folder and taken from there while neither the text
    nor how it is read has changed; a further record says so. Texts that a library brings (nltk, hub)
    are read each time, since there are no files to know them by.
    """
    todo: list[TextSource | WordSource] = [*recipe.words, *recipe.text, *recipe.evaluation]
    for number, source in enumerate(todo):
        yield Progress("read", number, len(todo), source.title)
        scheme = source.origin.partition(":")[0]
        if isinstance(source, TextSource) and scheme in LIBRARY_READERS:
            files = [Path(source.origin)]
        else:
            files = locate(source, recipe=path, data=data, cache=cache)
        if isinstance(source, WordSource):
            _read_words(source, files, recipe, into)
            continue
        if not files:
            into.left_out.append(source.title)
            continue
        key = None if scheme in LIBRARY_READERS else source_key(source, files, recipe)
        place = kept_path(cache, recipe, source)
        kept = None if key is None else kept_source(place, key)
        if kept is not None:
            yield Progress("read", number, len(todo), f"{source.title} (read by an earlier build)")
        stream, report = kept or read_text_source(source, files, recipe)
        into.reports[source.name] = report
        if stream.n_words == 0:
            raise PackError(
                "holds no words",
                where=", ".join(str(file) for file in files[:3]),
                field=source.name,
                fix="check `kind`, or take the source out",
            )
        if kept is None and key is not None:
            try:
                keep_source(place, key, stream, report)
            except OSError as fault:  # a build can do without; only an interruption costs more
                note = f"{source.title} (cannot be kept for a later build: {fault.strerror})"
                yield Progress("read", number, len(todo), note)
        (into.streams if source in recipe.text else into.evaluation)[source.name] = stream
    yield Progress("read", len(todo), len(todo))


def read_text_source(
    source: TextSource, files: list[Path], recipe: Recipe
) -> tuple[TextStream, ReadReport]:
    """Read one source of running text."""
    report = ReadReport()
    options = ReadOptions(source.encoding, source.undecodable, source.column)
    scheme, _, name = source.origin.partition(":")
    if scheme in LIBRARY_READERS:
        lines = LIBRARY_READERS[scheme](name, options, report)
    else:
        lines = read_lines(files, source.kind, options, report)
    stream = read_stream(
        lines,
        deduplicate=source.deduplicate,
        abbreviations=frozenset(recipe.abbreviations),
        alphabet="" if "a" in recipe.alphabet else recipe.alphabet,
        dropped=report.dropped,
    )
    low, high = source.part
    if (low, high) != (0, 1000):
        stream = select(stream, (stream.bucket >= low) & (stream.bucket < high))
    return stream, report


def _read_words(source: WordSource, files: list[Path], recipe: Recipe, into: Intake) -> None:
    fold = recipe.lexicon.fold_accents
    options = ReadOptions(source.encoding)
    if source.kind == "spelling":
        words, forms = read_spelling(files, options, fold=fold)
        into.spelling |= words
        into.listed_forms.update(forms)
        return
    for file in files:
        if source.kind == "offensive":
            into.offensive |= _read_offensive(file, source, options, fold=fold)
            continue
        reader = read_frequencies if source.kind == "centibels" else read_counted
        for word, frequency in reader(file, fold=fold).items():
            into.frequencies[word] = into.frequencies.get(word, 0.0) + frequency


def _read_offensive(
    file: Path, source: WordSource, options: ReadOptions, *, fold: bool
) -> set[str]:
    """One word a line, a JSON list of words, a JSON map of words to ratings, or a JavaScript one."""
    if file.suffix == ".json":
        try:
            listed = json.loads(file.read_text("utf-8"))
        except ValueError as fault:
            raise PackError(f"not JSON: {fault}", where=str(file), fix="mend it") from None
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
    return {normalise_word(word, fold=fold) for word in listed if word and not word.startswith("#")}
