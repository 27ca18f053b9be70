"""The layout spec: its TOML schema, strict reading, and one canonical way of writing."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import tomli_w

from nearkey.errors import LayoutError
from nearkey.layout.key import Key, default_label
from nearkey.schema import convert, read_toml

__all__ = ["A_TO_Z", "LayoutSpec", "parse_spec", "read_spec", "spec_dict", "spec_keys", "spec_text"]

A_TO_Z = "abcdefghijklmnopqrstuvwxyz"


class SurfaceSpec(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The `[surface]` table, in layout units."""

    width: float
    height: float


class KeySpec(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """One `[[keys]]` table."""

    id: str
    x: float
    y: float
    w: float
    h: float
    letters: str = ""
    label: str | None = None
    role: str = "letters"


class LayoutSpec(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """A whole spec. Fields left out take the defaults given here."""

    name: str
    unit_mm: float
    surface: SurfaceSpec
    keys: list[KeySpec]
    language: str = ""
    alphabet: str = A_TO_Z
    note: str = ""


def read_spec(path: str | os.PathLike[str]) -> dict[str, Any]:
    """The data of a spec file; LayoutError names the file when it is missing or not TOML."""
    return read_toml(path, LayoutError)


def parse_spec(data: Mapping[str, Any], *, where: str | None = None) -> LayoutSpec:
    """Check a mapping (as read from TOML) against the schema.

    Raises
    ------
    LayoutError
        Naming the key and the field that is unknown, missing or of the wrong type.
    """
    if not isinstance(data, Mapping):
        raise LayoutError("not a table of fields", where=where, field="spec", fix="give a mapping")

    def field_name(steps: list[str]) -> str:
        """The path as people name it: a key by its id, not by its place."""
        if steps[:1] == ["keys"] and len(steps) > 1:
            steps = [_key_name(data, int(steps[1].strip("[]"))), *steps[2:]]
        return ": ".join(steps) or "spec"

    return convert(data, LayoutSpec, error=LayoutError, where=where, field_name=field_name)


def spec_keys(spec: LayoutSpec, *, where: str | None = None) -> tuple[Key, ...]:
    """The keys of a spec, each checked by itself; LayoutError names the key and the field."""
    try:
        return tuple(
            Key(
                id=key.id,
                label=default_label(key.id, key.letters) if key.label is None else key.label,
                x=key.x,
                y=key.y,
                w=key.w,
                h=key.h,
                letters=key.letters,
                role=key.role,
            )
            for key in spec.keys
        )
    except LayoutError as fault:
        raise (fault.at(where) if where else fault) from None


def spec_dict(
    *,
    name: str,
    unit_mm: float,
    width: float,
    height: float,
    keys: Iterable[Key],
    language: str,
    alphabet: str,
    note: str,
) -> dict[str, Any]:
    """The spec as plain data, in canonical order, leaving out whatever equals its default."""
    data: dict[str, Any] = {"name": name}
    if language:
        data["language"] = language
    if alphabet != A_TO_Z:
        data["alphabet"] = alphabet
    if note:
        data["note"] = note
    data["unit_mm"] = _plain(unit_mm)
    data["surface"] = {"width": _plain(width), "height": _plain(height)}
    data["keys"] = [_key_dict(key) for key in keys]
    return data


def spec_text(data: Mapping[str, Any]) -> str:
    """The canonical TOML of `spec_dict`: the head, `[surface]`, then a `[[keys]]` table a key."""
    head = {field: value for field, value in data.items() if field != "keys"}
    tables = [tomli_w.dumps(head)]
    tables += [f"[[keys]]\n{tomli_w.dumps(key)}" for key in data["keys"]]
    return "\n".join(tables)


def _key_dict(key: Key) -> dict[str, Any]:
    data: dict[str, Any] = {"id": key.id}
    if key.label != default_label(key.id, key.letters):
        data["label"] = key.label
    data |= {"x": _plain(key.x), "y": _plain(key.y), "w": _plain(key.w), "h": _plain(key.h)}
    if key.letters:
        data["letters"] = key.letters
    if key.role != "letters":
        data["role"] = key.role
    return data


def _plain(number: float) -> int | float:
    """A whole number without its ".0", as a person would write it."""
    return int(number) if number.is_integer() and abs(number) < 1e15 else number


def _key_name(data: Mapping[str, Any], position: int) -> str:
    try:
        key_id = data["keys"][position]["id"]
    except (LookupError, TypeError):
        key_id = None
    return f'key "{key_id}"' if isinstance(key_id, str) else f"keys[{position}]"
