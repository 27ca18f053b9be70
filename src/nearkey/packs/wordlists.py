"""Readers of word lists: frequencies and spelling."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec

from nearkey.errors import PackError
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_plain, unreadable
from nearkey.language.tokens import normalise_word

__all__ = ["read_counted", "read_frequencies", "read_spelling"]


def read_frequencies(path: Path, *, fold: bool) -> dict[str, float]:
    """Relative frequencies of the words in a centibel list (gzipped MessagePack, as wordfreq ships).

    The list's entry i (after a header) holds the words of frequency ``10 ** (-i / 100)``. Words that
    become equal after normalising are added up.
    """
    try:
        decoded = msgspec.msgpack.decode(gzip.decompress(path.read_bytes()))
        header, bins = decoded[0], decoded[1:]
        if header.get("format") != "cB":
            raise PackError("not a centibel word list", where=path, fix="check `kind`")
    except (OSError, EOFError, msgspec.DecodeError, AttributeError, IndexError, TypeError) as fault:
        raise PackError(
            f"not a centibel word list: {fault}", where=path, fix="check `kind` and the path"
        ) from None
    listed = ((word, 10.0 ** (-level / 100)) for level, words in enumerate(bins) for word in words)
    return _added_up(listed, fold=fold)


def _added_up(listed: Iterable[tuple[str, float]], *, fold: bool) -> dict[str, float]:
    """Numbers by normalised word."""
    found: dict[str, float] = {}
    for raw, number in listed:
        word = normalise_word(raw, fold=fold)
        found[word] = found.get(word, 0.0) + number
    return found


def read_counted(path: Path, *, fold: bool) -> dict[str, float]:
    """Relative frequencies from a plain list: a word, white space and a count on each line."""

    def listed() -> Iterator[tuple[str, float]]:
        for number, line in enumerate(read_plain(path, ReadOptions(), ReadReport()), start=1):
            fields = line.split()
            try:
                if fields:
                    yield fields[0], float(fields[1])
            except (IndexError, ValueError):
                place = f"line {number}"
                raise unreadable(
                    "not a word and a count", path, "correct the line", place
                ) from None

    found = _added_up(listed(), fold=fold)
    total = sum(found.values()) or 1.0
    return {word: count / total for word, count in found.items()}


def read_spelling(
    paths: Iterable[Path], options: ReadOptions, *, fold: bool
) -> tuple[set[str], dict[str, str]]:
    """Words of spelling lists, normalised; and the listed form of those never listed in lower case.

    One word a line; a hunspell dictionary's count line and ``/FLAGS`` are taken off.
    """
    words: set[str] = set()
    lower: set[str] = set()
    forms: dict[str, str] = {}
    for path in paths:
        for line in read_plain(path, options, ReadReport()):
            form = line.split("/")[0].strip()
            if not form or form[0] == "#" or form.isdigit():
                continue
            word = normalise_word(form, fold=fold)
            words.add(word)
            if form == form.lower():
                lower.add(word)
            else:
                forms.setdefault(word, form)
    return words, {word: form for word, form in forms.items() if word not in lower}
