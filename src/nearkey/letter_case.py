"""Upper and lower case by language, where Unicode's plain mapping is not the language's own.

Source: Unicode's SpecialCasing.txt (the dotted and the dotless i of Turkish and Azerbaijani) and the casing rules of
CLDR (Dutch ij). Everywhere else, and for a language nobody named, the plain mapping holds.
"""

from __future__ import annotations

_TWO_KINDS_OF_I = frozenset(("tr", "az"))
_LOWER_I = str.maketrans({"I": "ı", "İ": "i"})
_UPPER_I = str.maketrans({"i": "İ"})


def primary(language: str) -> str:
    """The language of a BCP 47 tag without script, region or variant: that of ``tr-CY`` is ``tr``."""
    return language.replace("_", "-").partition("-")[0].lower()


def lower(text: str, language: str = "") -> str:
    """`text` in lower case; language : a BCP 47 tag, "" for none."""
    if primary(language) in _TWO_KINDS_OF_I:
        # A dot that was written as a mark of its own belongs to the letter: both spell the dotted i.
        text = text.replace("I\u0307", "İ").translate(_LOWER_I)
    return text.lower()


def upper(text: str, language: str = "") -> str:
    """`text` in capitals; language : a BCP 47 tag, "" for none."""
    if primary(language) in _TWO_KINDS_OF_I:
        text = text.translate(_UPPER_I)
    return text.upper()


def capital(text: str, language: str = "") -> str:
    """`text` with a capital at its beginning, if it begins in lower case; language : as for `upper`.

    The capital is Unicode's title case: scripts that keep their capitals for headlines (Georgian) get none.
    """
    first = text[:1]
    if not first.islower():
        return text
    code = primary(language)
    if code == "nl" and text[:2] == "ij":
        return "IJ" + text[2:]
    return (upper(first, code) if code in _TWO_KINDS_OF_I else first.title()) + text[1:]
