"""A key: a rectangle on the surface, with what it types; and the arrangement that keys make."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from nearkey.bounds import shown
from nearkey.errors import LayoutError
from nearkey.letter_case import capital

ROLES = (
    "letters",
    "space",
    "delete",
    "accept",
    "candidate",
    "shift",
    "punctuation",
    "symbol",
)
"""What a key may be for."""

MARK_ROLES = ("punctuation", "symbol")
"""Roles whose keys may carry marks in `letters` without being letters of the alphabet."""


A_TO_Z = "abcdefghijklmnopqrstuvwxyz"


def default_label(key_id: str, letters: str, language: str = "") -> str:
    """The label of a key that gives none: its letters in capitals, else its id.

    language : its tag, whose capitals they are. A combining mark is shown on a dotted circle.
    """
    shown = []
    for letter in letters:
        large = capital(letter, language)
        if unicodedata.category(letter) in ("Mn", "Mc"):
            large = f"\u25cc{letter}"
        elif len(large) > 1:  # as of the German sharp s: would read as two letters
            large = letter
        shown.append(large)
    return "".join(shown) or key_id


def letter_extent(keys: Sequence[Key]) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of these keys together, in layout units."""
    if not keys:
        raise LayoutError(
            "no key of role letters", field="keys", fix="use an arrangement with letters"
        )
    return (
        min(key.x for key in keys),
        min(key.y for key in keys),
        max(key.x + key.w for key in keys),
        max(key.y + key.h for key in keys),
    )


@dataclass(frozen=True, slots=True)
class Key:
    """A rectangular key.

    Parameters
    ----------
    id : name of the key, unique in its layout; no white space.
    label : what is drawn on it.
    x, y : top-left corner in layout units; y grows downwards.
    w, h : width and height in layout units, above 0.
    letters : the letters it types, each one character in lower case (marks, on a punctuation or
        symbol key; nothing on the others).
    role : one of `ROLES`.

    Raises
    ------
    LayoutError
        Naming the key and the field, when a value is not usable.
    """

    id: str
    label: str
    x: float
    y: float
    w: float
    h: float
    letters: str = ""
    role: str = "letters"

    def __post_init__(self) -> None:
        check_text(self.id, "key: id")
        if not self.id or any(c.isspace() or not c.isprintable() for c in self.id):
            raise LayoutError(
                f"id {self.id!r} is empty or holds white space or control characters",
                field="key: id",
                fix="give a short printable id",
            )
        check_text(self.label, self._at("label"))
        for name in ("x", "y", "w", "h"):
            object.__setattr__(self, name, self._number(name))
        for name, size in (("w", self.w), ("h", self.h)):
            if size <= 0:
                raise self._fault(name, f"is {size:g}", "give a size above 0")
        if self.role not in ROLES:
            raise self._fault(
                "role", f"no such role {self.role!r}", f"use one of {', '.join(ROLES)}"
            )
        self._check_letters()

    @property
    def cx(self) -> float:
        """Centre, from the left edge of the surface, in layout units."""
        return self.x + self.w / 2

    @property
    def cy(self) -> float:
        """Centre, from the top edge of the surface, in layout units."""
        return self.y + self.h / 2

    def _at(self, name: str) -> str:
        return f'key "{self.id}": {name}'

    def _fault(self, name: str, problem: str, fix: str) -> LayoutError:
        return LayoutError(problem, field=self._at(name), fix=fix)

    def _number(self, name: str) -> float:
        value = getattr(self, name)
        try:
            number = float(value)
        except (TypeError, ValueError, OverflowError):
            number = math.nan
        if not math.isfinite(number) or isinstance(value, str | bool):
            problem = f"{shown(value)} is not a finite number"
            raise self._fault(name, problem, "give a length in layout units")
        return number

    def _check_letters(self) -> None:
        check_text(self.letters, self._at("letters"))
        problem, fix = "", ""
        if self.role == "letters" and not self.letters:
            problem, fix = (
                "no letters on a key of role letters",
                "give its letters, or another role",
            )
        elif self.letters and self.role != "letters" and self.role not in MARK_ROLES:
            problem, fix = f"letters on a key of role {self.role}", "remove them"
        for letter in self.letters:
            if letter.isspace() or not letter.isprintable():
                problem = f"{letter!r} is white space or a control character"
                fix = "remove it (a space bar has role space)"
            elif self.role == "letters" and letter != letter.lower():
                problem, fix = f"{letter!r} is a capital", "write letters in lower case"
        if problem:
            raise self._fault("letters", problem, fix)


@dataclass(frozen=True, slots=True)
class Arrangement:
    """The data of a layout, unchecked: what checking, writing and drawing need. Fields as of `Layout`."""

    name: str
    unit_mm: float
    width: float
    height: float
    keys: tuple[Key, ...]
    language: str = ""
    alphabet: str = A_TO_Z
    note: str = ""

    @property
    def letter_keys(self) -> tuple[Key, ...]:
        """The keys of role letters, in order."""
        return tuple(key for key in self.keys if key.role == "letters")

    @property
    def width_mm(self) -> float:
        """Physical width of the surface."""
        return self.width * self.unit_mm

    @property
    def height_mm(self) -> float:
        """Physical height of the surface."""
        return self.height * self.unit_mm


def check_text(value: object, field: str) -> None:
    if not isinstance(value, str):
        raise LayoutError(f"{shown(value)} is not text", field=field, fix="give a string")
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        raise LayoutError(
            "holds half of a surrogate pair", field=field, fix="give whole characters"
        ) from None
