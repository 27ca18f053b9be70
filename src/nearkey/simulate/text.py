"""Running text as the words a typist would type."""

from __future__ import annotations

from nearkey.decode import LanguagePack
from nearkey.language.tokens import sentences

__all__ = ["running_words"]


def running_words(pack: LanguagePack, line: str) -> list[list[str]]:
    """The sentences of a line as lower-case words; a hyphenated word the lexicon lacks is read as its parts."""
    found = []
    for sentence in sentences([line]):
        words: list[str] = []
        for word in sentence.words:
            lower = word.lower()
            if "-" in lower and lower not in pack.lexicon:
                words.extend(part for part in lower.split("-") if part)
            else:
                words.append(lower)
        found.append(words)
    return found
