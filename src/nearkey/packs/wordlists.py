"""Readers of word lists: frequencies and spelling."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from nearkey.errors import PackError
from nearkey.language.reading.textfiles import (
    ReadOptions,
    ReadReport,
    read_csv,
    read_plain,
    unreadable,
)
from nearkey.language.tokens import Normalise, normalise_word
from nearkey.letter_case import lower
from nearkey.packs.affixes import AffixDictionary, read_affixes

_PLAIN = ReadOptions()


@dataclass(slots=True)
class SpellingWords:
    """What spelling lists take for a word.

    `words` are the normalised words listed as they stand; `affixes` the dictionaries that also derive words;
    `forms` the listed form of the words never listed in lower case.
    """

    words: set[str] = field(default_factory=set)
    affixes: list[AffixDictionary] = field(default_factory=list)
    forms: dict[str, str] = field(default_factory=dict)

    def __contains__(self, word: object) -> bool:
        return word in self.words or any(word in affixed for affixed in self.affixes)

    def take(self, other: SpellingWords) -> None:
        """Join in another list."""
        self.words |= other.words
        self.affixes += other.affixes
        self.forms.update(other.forms)


def read_frequencies(path: Path, *, normalise: Normalise = normalise_word) -> dict[str, float]:
    """Relative frequencies of the words in a centibel list (gzipped MessagePack, as wordfreq ships).

    The list's entry i (after a header) holds the words of frequency ``10 ** (-i / 100)``. Words that
    become equal after normalising are added up.
    """
    try:
        decoded = msgspec.msgpack.decode(gzip.decompress(path.read_bytes()))
        header, bins = decoded[0], decoded[1:]
        if header.get("format") != "cB":
            raise PackError("not a centibel word list", where=path, fix="check `kind`")
        if not all(isinstance(word, str) for words in bins for word in words):
            raise TypeError("holds what is no word")
    except (
        OSError, EOFError, zlib.error, msgspec.DecodeError, UnicodeError, RecursionError, ArithmeticError,
        AttributeError, IndexError, KeyError, TypeError,
    ) as fault:  # fmt: skip
        raise PackError(
            f"not a centibel word list: {fault}", where=path, fix="check `kind` and the path"
        ) from None
    listed = ((word, 10.0 ** (-level / 100)) for level, words in enumerate(bins) for word in words)
    return _added_up(listed, normalise)


def _added_up(listed: Iterable[tuple[str, float]], normalise: Normalise) -> dict[str, float]:
    """Numbers by normalised word."""
    found: dict[str, float] = {}
    for raw, number in listed:
        word = normalise(raw)
        found[word] = found.get(word, 0.0) + number
    return found


def read_counted(
    path: Path, options: ReadOptions = _PLAIN, *, normalise: Normalise = normalise_word
) -> dict[str, float]:
    """Relative frequencies from a plain list: a word, white space and a count on each line.

    options : how to read the file. normalise : how the lexicon spells a word, here and below.
    """

    def listed() -> Iterator[tuple[str, float]]:
        for number, line in enumerate(read_plain(path, options, ReadReport()), start=1):
            fields = line.split()
            try:
                if fields:
                    yield fields[0], float(fields[1])
            except (IndexError, ValueError):
                place = f"line {number}"
                raise unreadable(
                    "not a word and a count", path, "correct the line", place
                ) from None

    found = _added_up(listed(), normalise)
    total = sum(found.values()) or 1.0
    return {word: count / total for word, count in found.items()}


def read_spelling(
    paths: Iterable[Path],
    options: ReadOptions,
    *,
    normalise: Normalise = normalise_word,
    language: str = "",
) -> SpellingWords:
    """The words of spelling lists, one a line, or in a column of a CSV file.

    A hunspell dictionary (.dic) is read with the .aff file beside it, in the encoding that file names: what its
    affixes derive is a word as well. Without one, its count line and ``/FLAGS`` are taken off.
    """
    found = SpellingWords()
    lower_case: set[str] = set()
    for path in paths:
        affix_file, affixes, encoding = path.with_suffix(".aff"), None, options.encoding
        if path.suffix == ".dic" and affix_file.is_file():
            affixes = read_affixes(affix_file, normalise)
            found.affixes.append(affixes)
            encoding = affixes.encoding
        read = read_csv if path.suffix == ".csv" else read_plain
        for line in read(path, replace(options, encoding=encoding), ReadReport()):
            form, _, flags = line.strip().partition("/")
            if path.suffix == ".dic":
                form, flags = form.split("\t")[0].strip(), flags.split()[0] if flags.split() else ""
            if not form or form[0] == "#" or form.isdigit():
                continue
            word = normalise(form)
            if affixes is not None and not affixes.add(word, flags):
                continue  # no word by itself
            found.words.add(word)
            if form == lower(form, language):
                lower_case.add(word)
            else:
                found.forms.setdefault(word, form)
    for word in lower_case & found.forms.keys():
        del found.forms[word]
    return found
