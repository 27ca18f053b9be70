"""The recipe of a pack: a TOML file that names sources and settings, checked field by field."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Literal

import msgspec

from nearkey.bounds import shown
from nearkey.errors import PackError
from nearkey.language.reading.corpus import LIBRARY_READERS, LINE_READERS
from nearkey.language.tokens import ABBREVIATIONS, is_letter, normalise_word
from nearkey.letter_case import lower, primary
from nearkey.packs.licences import combinable, possible_licences
from nearkey.schema import convert, read_toml

LARGEST_ALPHABET = 200
"""A letter travels as one byte, and some are taken by marks and symbols."""


ORIGINS = {
    "here": re.compile(r""),
    "data": re.compile(r""),
    "npm": re.compile(
        r"(?:@[a-z0-9][a-z0-9._-]*/)?[a-z0-9][a-z0-9._-]*(?:@[0-9A-Za-z][0-9A-Za-z.+-]*)?"
    ),
    "pypi": re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(?:==[0-9A-Za-z][0-9A-Za-z.+!-]*)?"),
    "debian": re.compile(r"[a-z0-9][a-z0-9+.-]+(?:=[0-9A-Za-z][0-9A-Za-z.+:~-]*)?"),
}
"""What may stand after an origin's colon: a package's name and version, and nothing that a client would take for an
option, a folder or an address. The names of ``nltk:`` and ``hub:`` are those libraries' own."""

_LONGEST_ORIGIN, _MOST_PATTERNS, _LONGEST_PATTERN = 200, 1000, 500


class _Strict(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of the recipe's parts: an unknown field is an error."""


class _Source(_Strict, frozen=True, kw_only=True):
    """Where files come from.

    `origin` is ``npm:NAME@VERSION``, ``pypi:NAME==VERSION`` or ``debian:NAME`` (fetched by that
    registry's own client), ``data`` (the data folder), ``here`` (beside the recipe), or for text
    ``nltk:NAME`` and ``hub:NAME`` (read by those libraries, without `files`). `files` are
    patterns inside it; ``!pattern`` leaves out. `licence` is an SPDX expression (see `licences`). `notice` is a
    text that the licence wants passed on; so are the files that `notice_files` finds where `files` are.
    """

    name: str
    title: str
    origin: str
    files: list[str] = []
    licence: str
    attribution: str
    notice: str = ""
    notice_files: list[str] = []
    encoding: str = "utf-8"


class TextSource(_Source, frozen=True, kw_only=True):
    """Running text.

    `cased`: upper case means something in it. `held_out`: some of it is held out to fit the mixture.
    `deduplicate`: repeated sentences count once. `undecodable`: "error", or "drop" the line.
    `optional`: do without it where the data folder has it not. `part`: from and up to which of the 1000
    buckets, by their content, sentences are taken; so that one text can serve for training and, with
    another part, for evaluation.
    """

    kind: str = "lines"
    column: str = "text"
    cased: bool = True
    held_out: bool = True
    deduplicate: bool = True
    undecodable: Literal["error", "drop"] = "error"
    optional: bool = False
    part: tuple[int, int] = (0, 1000)


class WordSource(_Source, frozen=True, kw_only=True):
    """A word list: ``centibels`` and ``counted`` carry frequencies, ``spelling`` words alone, and
    ``offensive`` words to be shown only when typed exactly. `column` is the words' in a CSV list of spelling."""

    kind: Literal["centibels", "counted", "spelling", "offensive"]
    min_rating: int = 2
    column: str = "word"


class LexiconPart(_Strict, frozen=True, kw_only=True):
    """How the lexicon is chosen; see `vocabulary.choose_words`.

    `keep`: a folder, seen from the recipe's, of a pack whose words stay as they are, with all that is said of each by
    itself: probability without context, spelling, case, punctuation. Then only the n-gram table and the context model
    are made anew, and a context model trained for these words goes on fitting.
    """

    size: int = 60_000
    fold_accents: bool = False
    unlisted_frequency: float = 2e-6
    unlisted_count: int = 20
    unlisted_sources: int = 3
    compound_count: int = 20
    whole_lists: bool = False
    keep: str = ""
    always: list[str] = []
    exclude: list[str] = []
    not_offensive: list[str] = []


class ModelPart(_Strict, frozen=True, kw_only=True):
    """The word and letter models: order, size of ``words.ngram``, held-out text."""

    order: int = 3
    max_bytes: int = 20_000_000
    held_out_permille: int = 30
    held_out_words: int = 15_000
    letter_order: int = 5
    letter_max_bytes: int = 1_500_000


class Recipe(_Strict, frozen=True, kw_only=True):
    """All of a recipe. `abbreviations` are the English ones in an English recipe that names none, else none."""

    format: Literal[1]
    name: str
    language: str
    title: str
    version: str
    licence: str
    alphabet: str
    elisions: list[str] = []
    abbreviations: list[str] | None = None
    lexicon: LexiconPart = LexiconPart()
    model: ModelPart = ModelPart()
    text: list[TextSource] = []
    words: list[WordSource] = []
    evaluation: list[TextSource] = []

    def normalise(self, word: str) -> str:
        """A word as the lexicon of the pack will spell it."""
        return normalise_word(word, fold=self.lexicon.fold_accents, language=self.language)


def read_recipe(path: str | os.PathLike[str]) -> Recipe:
    """Read and check a recipe; PackError names file, field and fix."""
    recipe = convert(
        read_toml(path, PackError), Recipe, error=PackError, where=path, fix="see docs/packs.md"
    )
    _check(recipe, path)
    if recipe.abbreviations is None:
        # The words after which a full stop ends no sentence are those of English.
        known = sorted(ABBREVIATIONS) if primary(recipe.language) == "en" else []
        recipe = msgspec.structs.replace(recipe, abbreviations=known)
    return recipe


def _check(recipe: Recipe, where: str | os.PathLike[str]) -> None:
    def fault(problem: str, field: str, fix: str) -> PackError:
        return PackError(problem, where=where, field=field, fix=fix)

    if not recipe.text:
        raise fault("no running text", "text", "add a [[text]] source")
    names = [source.name for source in (*recipe.text, *recipe.evaluation)]
    for name in names:
        if names.count(name) > 1:
            raise fault(f"{name!r} is there twice", "text", "give each source a name of its own")
    for any_source in (*recipe.text, *recipe.evaluation, *recipe.words):
        scheme, _, package = any_source.origin.partition(":")
        library = scheme in LIBRARY_READERS
        known = (
            bool(package)
            if library
            else bool(
                scheme in ORIGINS
                and ORIGINS[scheme].fullmatch(package)
                and any_source.origin != f"{scheme}:"
            )
        )
        if (
            not known
            or len(any_source.origin) > _LONGEST_ORIGIN
            or not any_source.origin.isprintable()
        ):
            raise fault(
                f"origin {shown(any_source.origin)} is unknown",
                any_source.name[:40],
                "use npm:NAME@VERSION, pypi:NAME==VERSION, debian:NAME, nltk:NAME, hub:NAME, data or here",
            )
        for pattern in any_source.files:
            inner = pattern.removeprefix("!")
            sound = 0 < len(inner) <= _LONGEST_PATTERN and inner.isprintable()
            if not sound or Path(inner).is_absolute() or len(any_source.files) > _MOST_PATTERNS:
                raise fault(
                    f"{shown(pattern)} is no pattern inside the source",
                    f"{any_source.name[:40]}: files",
                    "give file names and patterns, without a leading slash",
                )
        if not any_source.files and (not library or isinstance(any_source, WordSource)):
            raise fault(f"{any_source.name!r} names no files", "files", "name them by patterns")
    for source in (*recipe.text, *recipe.evaluation):
        low, high = source.part
        if not 0 <= low < high <= 1000:
            raise fault(f"{source.name!r} has no part {low} … {high}", "part", "use 0 … 1000")
        if source.kind not in LINE_READERS:
            kinds = ", ".join(sorted(LINE_READERS))
            raise fault(
                f"kind {source.kind!r} of {source.name!r} is unknown", "text", f"use {kinds}"
            )
    if not 1 <= recipe.model.order <= 5:
        raise fault("not within 1 … 5", "model.order", "choose 3")
    if not 2 <= recipe.model.letter_order <= 5:
        raise fault("not within 2 … 5", "model.letter_order", "choose 5")
    if not 1 <= recipe.model.held_out_permille <= 500:
        raise fault("not within 1 … 500", "model.held_out_permille", "choose 30")
    letters = recipe.alphabet
    small = letters == lower(letters, recipe.language)
    if len(set(letters)) != len(letters) or not all(map(is_letter, letters)) or not small:
        raise fault("not distinct lower-case letters", "alphabet", "list each letter once")
    if not letters or len(letters) > LARGEST_ALPHABET:
        raise fault(
            f"{len(letters)} letters, where keys can type 1 to {LARGEST_ALPHABET}",
            "alphabet",
            "give the language's letters; a script of more signs needs a way to write them with fewer",
        )
    marks = "".join(char for char in letters if not char.isalpha())
    if marks and recipe.lexicon.fold_accents:
        some = " ".join(f"\u25cc{mark}" for mark in marks[:8])
        raise fault(
            f"takes off the marks that words of this alphabet are written with ({some})",
            "lexicon.fold_accents",
            "leave fold_accents out, or the marks of the alphabet",
        )
    if not recipe.name.replace("-", "").replace("_", "").isalnum():
        raise fault(f"{recipe.name!r} is not a plain name", "name", "use letters, digits, - and _")
    parts = (*recipe.text, *recipe.words)  # nothing of an evaluation text is in the pack
    for part in parts:
        if combinable(part.licence, recipe.licence) is False:
            possible = possible_licences(each.licence for each in parts)
            other = f", or license the pack as {' or '.join(possible)}" if possible else ""
            raise fault(
                f"{part.title} is under {part.licence}, which may not become part of a pack under"
                f" {recipe.licence}",
                f"{part.name}: licence",
                f"take the source out{other}",
            )
