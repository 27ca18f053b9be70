"""What makes a layout valid as a whole; `Key` checks what concerns one key alone."""

from __future__ import annotations

from collections.abc import Sequence

from nearkey.bounds import shown
from nearkey.errors import LayoutError
from nearkey.layout.key import Arrangement, Key, check_text

TOLERANCE = 0.01
"""How far, as a share of a key's side, it may overlap another or leave the surface."""

SMALLEST, LARGEST = 1e-6, 1e6

MOST_KEYS, MOST_LETTERS, LONGEST_TEXT = 1000, 250, 10_000
"""Keys of a layout, letters of its alphabet and on one key (the kernel numbers letters with one byte), characters of a
name or note."""


def check_layout(layout: Arrangement) -> None:
    """Raise LayoutError, naming the key and the field, for the first thing that is wrong."""
    _check_head(layout)
    for field in ("unit_mm", "width", "height"):
        _check_size(field if field == "unit_mm" else f"surface: {field}", getattr(layout, field))
    _check_alphabet(layout.alphabet)
    if len(layout.keys) > MOST_KEYS:
        raise LayoutError(f"{len(layout.keys)} keys", field="keys", fix=f"use {MOST_KEYS} at most")
    n_letters = sum(len(key.letters) for key in layout.keys if key.role == "letters")
    if n_letters > MOST_LETTERS:
        raise LayoutError(
            f"{n_letters} letters", field="keys: letters", fix=f"use {MOST_LETTERS} at most"
        )
    if not layout.keys:
        raise LayoutError("no keys", field="keys", fix="add a [[keys]] table for each key")
    _check_unique(layout.keys)
    for key in layout.keys:
        _check_on_surface(key, layout.width, layout.height)
    _check_overlap(layout.keys)
    missing = missing_letters(layout.keys, layout.alphabet)
    if missing:
        raise LayoutError(
            f"no key has {_listed(missing)}",
            field="keys: letters",
            fix="put each on a key, or declare a smaller alphabet",
        )


def missing_letters(keys: Sequence[Key], alphabet: str) -> str:
    """The letters of `alphabet` that no key of role letters types."""
    placed = {letter for key in keys if key.role == "letters" for letter in key.letters}
    return "".join(letter for letter in alphabet if letter not in placed)


def _check_head(layout: Arrangement) -> None:
    for field in ("name", "language", "note"):
        check_text(getattr(layout, field), field)
        if len(getattr(layout, field)) > LONGEST_TEXT:
            raise LayoutError("is too long", field=field, fix=f"use {LONGEST_TEXT} characters")
    name, language = layout.name, layout.language
    if not name.strip() or not name.isprintable():
        problem = f"name {shown(name)} is empty or not printable"
        raise LayoutError(problem, field="name", fix="give a name")
    parts = language.split("-") if language else []
    if not all(part.isascii() and part.isalnum() and len(part) <= 8 for part in parts):
        problem = f"{shown(language)} is not a language tag"
        raise LayoutError(problem, field="language", fix='give a BCP 47 tag such as "en"')


def _check_size(field: str, value: object) -> None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (number and SMALLEST <= value <= LARGEST):  # type: ignore[operator]
        problem = f"{shown(value)} is no usable length"
        raise LayoutError(
            problem, field=field, fix=f"give a number from {SMALLEST:g} to {LARGEST:g}"
        )


def _check_alphabet(alphabet: str) -> None:
    check_text(alphabet, "alphabet")
    if len(alphabet) > MOST_LETTERS:
        raise LayoutError(
            f"{len(alphabet)} letters", field="alphabet", fix=f"use {MOST_LETTERS} at most"
        )
    for place, letter in enumerate(alphabet):
        if letter in alphabet[:place]:
            raise LayoutError(f"{letter!r} is there twice", field="alphabet", fix="name it once")
        if letter.isspace() or not letter.isprintable() or letter != letter.lower():
            problem = f"{letter!r} is not a lower-case letter"
            raise LayoutError(problem, field="alphabet", fix="remove it")


def _check_unique(keys: Sequence[Key]) -> None:
    ids: set[str] = set()
    owner: dict[str, str] = {}
    for key in keys:
        if key.id in ids:
            field, fix = f'key "{key.id}": id', "give each key its own"
            raise LayoutError("another key has this id", field=field, fix=fix)
        ids.add(key.id)
        for letter in key.letters:
            if letter in owner:
                other = "this key twice" if owner[letter] == key.id else f'key "{owner[letter]}"'
                field, fix = f'key "{key.id}": letters', "place each letter once"
                raise LayoutError(f"{letter!r} is already on {other}", field=field, fix=fix)
            owner[letter] = key.id


def _check_on_surface(key: Key, width: float, height: float) -> None:
    for start, size, limit, side in (("x", "w", width, "width"), ("y", "h", height, "height")):
        low, extent = getattr(key, start), getattr(key, size)
        slack = TOLERANCE * extent
        if low < -slack:
            field, fix = f'key "{key.id}": {start}', "give a place from 0 upwards"
            raise LayoutError(f"{low:g} lies outside the surface", field=field, fix=fix)
        if low + extent > limit + slack:
            raise LayoutError(
                f"{start} + {size} = {low + extent:g} passes the surface's {side} {limit:g}",
                field=f'key "{key.id}": {start if low >= limit else size}',
                fix="move or shrink the key, or enlarge the surface",
            )


def _check_overlap(keys: Sequence[Key]) -> None:
    # By left edge, so that a key meets only those that begin before it ends.
    order = sorted(keys, key=lambda key: key.x)
    position = {key.id: i for i, key in enumerate(keys)}
    for i, first in enumerate(order):
        for second in order[i + 1 :]:
            if second.x >= first.x + first.w:
                break
            shared_w = min(first.x + first.w, second.x + second.w) - second.x
            shared_h = min(first.y + first.h, second.y + second.h) - max(first.y, second.y)
            if shared_w > TOLERANCE * min(first.w, second.w) and shared_h > TOLERANCE * min(
                first.h, second.h
            ):
                earlier, later = sorted((first.id, second.id), key=position.__getitem__)
                raise LayoutError(
                    f'overlaps key "{earlier}" by {shared_w:.3g} x {shared_h:.3g} units',
                    field=f'key "{later}": x, y, w, h',
                    fix="move or shrink one of them",
                )


def _listed(letters: str) -> str:
    return ", ".join(repr(letter) for letter in letters[:12]) + (
        f" and {len(letters) - 12} more" if len(letters) > 12 else ""
    )
