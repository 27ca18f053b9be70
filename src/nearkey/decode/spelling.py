"""Which keys spell a word on a layout: letters, accents reached from their base letter, silent marks."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import nearkey._kernel as _kernel

# Marks inside a word that need no touch where the layout has no key for them.
SILENT = "'’‘-‐‑·"

# Letters whose base Unicode decomposition does not name.
BASE = {
    "ß": "ss",
    "æ": "ae",
    "œ": "oe",
    "ø": "o",
    "ł": "l",
    "đ": "d",
    "ð": "d",
    "þ": "th",
    "ı": "i",
}

_UNTYPEABLE = "\x00"
_BREAK = "\x01"
_FIRST = 2  # letter i travels as character i + 2


@dataclass(frozen=True, slots=True)
class SpelledWords:
    """Words as letter indices; a word with two ways to be typed has two entries.

    letters : uint8, the entries' letter indices one after another.
    offsets : uint32, (n_entries + 1,).
    word : uint32, (n_entries,), each entry's word.
    untypeable : int64, words with a character no key reaches, or with no or too many letters.
    """

    letters: NDArray[np.uint8]
    offsets: NDArray[np.uint32]
    word: NDArray[np.uint32]
    untypeable: NDArray[np.int64]


def _typed(character: str, letters: str, *, silent_marks: bool) -> str | None:
    """The letters of the layout that type one character; "" for a silent mark; None where none do."""
    if character in SILENT and silent_marks:
        return ""
    if character in letters:
        return character
    bare = "".join(
        c for c in unicodedata.normalize("NFD", character) if not unicodedata.combining(c)
    )
    for spelled in (bare, BASE.get(character, "")):
        if spelled and all(c in letters for c in spelled):
            return spelled
    # A mark that Unicode composes with no letter, without a key of its own: its letter is touched alone.
    silent = character in SILENT or unicodedata.category(character) in ("Mn", "Mc")
    return "" if silent else None


def _translation(characters: set[str], letters: str, *, silent_marks: bool) -> dict[int, str]:
    table = {}
    for character in characters:
        typed = _typed(character, letters, silent_marks=silent_marks)
        table[ord(character)] = (
            _UNTYPEABLE if typed is None else "".join(chr(letters.index(c) + _FIRST) for c in typed)
        )
    return table


def _encode(
    words: Sequence[str], letters: str, *, silent_marks: bool
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """The words' codes in one array, and where each word ends in it (its break)."""
    text = "\n".join(words) + "\n"
    table = _translation(set(text) - {"\n"}, letters, silent_marks=silent_marks)
    table[ord("\n")] = _BREAK
    codes = np.frombuffer(text.translate(table).encode("latin-1"), dtype=np.uint8)
    return codes, np.flatnonzero(codes == ord(_BREAK))


def spell_words(words: Sequence[str], letters: str) -> SpelledWords:
    """Spell many words at once with the letters of a layout.

    A letter of the layout types itself; an accented letter the layout lacks is typed by its base
    letter; apostrophes and hyphens need no touch where the layout has no key for them, and may be
    typed or left out where it has one (two entries). A combining mark (a vowel sign, a tone mark, a point)
    takes a touch where it has a key.
    """
    if not words:
        empty = np.zeros(0, np.uint32)
        return SpelledWords(
            np.zeros(0, np.uint8), np.zeros(1, np.uint32), empty, np.zeros(0, np.int64)
        )
    codes, breaks = _encode(words, letters, silent_marks=False)
    parts = [_entries(codes, breaks, np.arange(len(words), dtype=np.uint32))]
    good = np.zeros(len(words), bool)
    good[parts[0][2]] = True
    if any(mark in letters for mark in SILENT):
        marked = [i for i, word in enumerate(words) if any(mark in word for mark in SILENT)]
        if marked:
            bare, bare_breaks = _encode([words[i] for i in marked], letters, silent_marks=True)
            parts.append(_entries(bare, bare_breaks, np.asarray(marked, np.uint32)))
    letter_codes = np.concatenate([p[0] for p in parts])
    lengths = np.concatenate([p[1] for p in parts])
    offsets = np.zeros(len(lengths) + 1, np.uint32)
    np.cumsum(lengths, out=offsets[1:])
    word = np.concatenate([p[2] for p in parts])
    return SpelledWords(letter_codes, offsets, word, np.flatnonzero(~good))


def _entries(
    codes: NDArray[np.uint8], breaks: NDArray[np.int64], word: NDArray[np.uint32]
) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.uint32]]:
    """Keep the words that can be typed; letters without breaks, lengths, word indices."""
    starts = np.concatenate([[0], breaks[:-1] + 1])
    lengths = breaks - starts
    bad = np.zeros(len(word), bool)
    faults = np.flatnonzero(codes == 0)
    bad[np.searchsorted(breaks, faults)] = True
    keep = ~bad & (lengths > 0) & (lengths <= _kernel.MAX_LETTERS)
    keep_code = np.repeat(keep, lengths + 1)
    keep_code[breaks] = False
    return codes[keep_code] - np.uint8(_FIRST), lengths[keep], word[keep]


def spell(word: str, letters: str) -> str | None:
    """One word as the letters that type it (marks left out where no key has them), or None."""
    typed = [_typed(character, letters, silent_marks=False) for character in word]
    if any(part is None for part in typed):
        return None
    return "".join(part for part in typed if part) or None
