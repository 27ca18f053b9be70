"""Readers of word lists: frequencies, spelling, and hunspell's dictionaries.

Of these, which words the affixes of an ``.aff`` file derive from the stems of a ``.dic`` file. A word is recognised by
taking affixes off it, so that nothing is derived that no text asks for: the Polish dictionary alone stands for millions
of words. Read are PFX and SFX with their conditions, one suffix on another, a prefix with a suffix, aliases of flags
(AF), NEEDAFFIX, ONLYINCOMPOUND and FORBIDDENWORD; compounds are not. Source: the manual page hunspell(5).
"""

from __future__ import annotations

import codecs
import gzip
import re
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import msgspec

from nearkey.language.reading.textfiles import (
    ReadOptions,
    ReadReport,
    read_csv,
    read_plain,
    unreadable,
)
from nearkey.language.tokens import Normalise, normalise_word
from nearkey.letter_case import lower

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
            raise unreadable("not a centibel word list", path, "check `kind`")
        if not all(isinstance(word, str) for words in bins for word in words):
            raise TypeError("holds what is no word")
    except (
        OSError, EOFError, zlib.error, msgspec.DecodeError, UnicodeError, RecursionError, ArithmeticError,
        AttributeError, IndexError, KeyError, TypeError,
    ) as fault:  # fmt: skip
        problem = f"not a centibel word list: {fault}"
        raise unreadable(problem, path, "check `kind` and the path") from None
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


# ---- hunspell's dictionaries ----


@dataclass(frozen=True, slots=True)
class Affix:
    """One rule: from words that meet `condition`, `strip` is taken off and the affix put in its place.

    `flag` names the rule's group; `further` are the flags of what it makes; `crosses` whether it goes with an
    affix at the other end.
    """

    flag: str
    strip: str
    condition: re.Pattern[str]
    further: frozenset[str]
    crosses: bool


@dataclass(slots=True)
class AffixDictionary:
    """Stems with their flags, and the affixes by what they add; `word in dictionary` tries all of them."""

    encoding: str = "iso8859-1"
    flag_kind: str = ""
    aliases: list[str] = field(default_factory=list)
    need_affix: frozenset[str] = frozenset()
    forbidden_flags: frozenset[str] = frozenset()
    twofold: set[str] = field(default_factory=set)
    prefixes: dict[str, list[Affix]] = field(default_factory=lambda: defaultdict(list))
    suffixes: dict[str, list[Affix]] = field(default_factory=lambda: defaultdict(list))
    _stems: dict[str, frozenset[str]] = field(default_factory=dict)
    _forbidden: set[str] = field(default_factory=set)

    def add(self, word: str, flags: str) -> bool:
        """Take in a stem, normalised, with its flags as the dictionary writes them; whether it is a word by itself."""
        own = self.flags(flags)
        if own & self.forbidden_flags:
            self._forbidden.add(word)
            return False
        if own:
            self._stems[word] = self._stems.get(word, frozenset()) | own
        return not own & self.need_affix

    def flags(self, text: str) -> frozenset[str]:
        """The single flags of a field."""
        if self.aliases and text.isdigit():
            at = int(text) - 1
            text = self.aliases[at] if 0 <= at < len(self.aliases) else ""
        if self.flag_kind == "num":
            return frozenset(part for part in text.split(",") if part)
        width = 2 if self.flag_kind == "long" else 1
        return frozenset(text[i : i + width] for i in range(0, len(text), width))

    def __contains__(self, word: object) -> bool:
        if not isinstance(word, str) or word in self._forbidden:
            return False
        if any(self._carries(base, rule) for base, rule in _undone(word, self.suffixes)):
            return True
        for base, prefix in _undone(word, self.prefixes, ends=False):
            if self._carries(base, prefix):
                return True
            if prefix.crosses and prefix.condition.search(base):
                for stem, suffix in _undone(base, self.suffixes):
                    further = suffix.further | self._stems.get(stem, frozenset())
                    if suffix.crosses and prefix.flag in further and self._carries(stem, suffix):
                        return True
        return False

    def _carries(self, word: str, rule: Affix) -> bool:
        """Whether a stem, or what one suffix makes of a stem, is one that the rule applies to."""
        if rule.flag in self._stems.get(word, ()):
            return rule.condition.search(word) is not None
        return rule.flag in self.twofold and any(
            rule.flag in inner.further
            and inner.flag in self._stems.get(base, ())
            and inner.condition.search(base) is not None
            for base, inner in _undone(word, self.suffixes)
        )


def _undone(
    word: str, rules: Mapping[str, list[Affix]], *, ends: bool = True
) -> Iterator[tuple[str, Affix]]:
    """(word before, rule) for every affix that could have made `word`, at its end or at its beginning."""
    for cut in range(1, len(word) + 1) if ends else range(len(word)):
        for rule in rules.get(word[cut:] if ends else word[:cut], ()):
            yield (word[:cut] + rule.strip if ends else rule.strip + word[cut:]), rule


def read_affixes(path: Path, normalise: Normalise) -> AffixDictionary:
    """The affixes of an ``.aff`` file, ready for the stems of its dictionary.

    normalise : how the lexicon spells a word; stripped, added and asked for is what is normalised so.
    Raises PackError naming the line of a rule that cannot be read.
    """
    made = AffixDictionary(encoding=_encoding(path))
    crossing: dict[tuple[str, str], bool] = {}
    counted = False

    def plain(text: str) -> str:
        return "" if text == "0" else normalise(text)

    lines = read_plain(path, ReadOptions(made.encoding, "drop"), ReadReport())
    for number, line in enumerate(lines, start=1):
        fields = line.split()
        if not fields or fields[0].startswith("#"):
            continue
        kind, values = fields[0].lstrip("\ufeff"), fields[1:]
        if kind == "FLAG" and values:
            made.flag_kind = values[0].lower()
        elif kind == "AF" and values:
            if counted:  # the first of these lines says how many follow
                made.aliases.append(values[0])
            counted = True
        elif kind in ("NEEDAFFIX", "ONLYINCOMPOUND") and values:
            made.need_affix |= made.flags(values[0])
        elif kind == "FORBIDDENWORD" and values:
            made.forbidden_flags |= made.flags(values[0])
        elif kind in ("PFX", "SFX") and len(values) >= 3:
            key = (kind, values[0])
            if key not in crossing:  # a group's head: whether it crosses, how many rules follow
                crossing[key] = values[1] == "Y"
                continue
            added, _, further = values[2].partition("/")
            try:
                condition = _condition(kind, values[3] if len(values) > 3 else ".", plain)
            except re.error as fault:
                fix, place = "correct the condition", f"line {number}"
                raise unreadable(f"not a rule of affixes: {fault}", path, fix, place) from None
            rule = Affix(values[0], plain(values[1]), condition, made.flags(further), crossing[key])
            made.twofold |= rule.further
            (made.prefixes if kind == "PFX" else made.suffixes)[plain(added)].append(rule)
    return made


def _condition(kind: str, text: str, plain: Callable[[str], str]) -> re.Pattern[str]:
    """A condition on the end (of suffixes) or the beginning: characters, ``.`` for any, and classes in brackets."""
    parts = re.findall(r"\[\^?[^\]]*\]|.", text)
    pattern = ""
    for part in parts:
        if part == ".":
            pattern += "."
        elif part.startswith("["):
            inside = part[1:-1]
            negated = "^" if inside.startswith("^") else ""
            pattern += f"[{negated}{re.escape(plain(inside.lstrip('^')))}]"
        else:
            pattern += re.escape(plain(part))
    return _compiled(f"^{pattern}" if kind == "PFX" else f"{pattern}$")


_compiled = cache(re.compile)  # a few conditions stand in thousands of rules


def _encoding(path: Path) -> str:
    """The encoding that the file's SET line names; PackError for one that Python does not know."""
    for line in read_plain(path, ReadOptions("latin-1"), ReadReport()):
        fields = line.split()
        if len(fields) > 1 and fields[0].endswith("SET"):
            name = fields[1].lower().removeprefix("microsoft-").replace("tis620-2533", "tis-620")
            try:
                return codecs.lookup(name).name
            except LookupError:
                fix = "convert both files to UTF-8 and say so in SET"
                raise unreadable(f"encoding {fields[1]!r} is unknown", path, fix, "SET") from None
    return "iso8859-1"
