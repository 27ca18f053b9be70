"""The layout spec: its TOML schema, strict reading, one canonical way of writing, and the catalogue of specs."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

import msgspec
import tomli_w

from nearkey.errors import LayoutError
from nearkey.layout.key import A_TO_Z, Arrangement, Key, default_label
from nearkey.schema import convert

_FOLDER = files("nearkey.layout") / "catalogue"


class _Spec(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Fields in canonical order; those that equal their defaults are left out of what is written."""


_PLAIN_FIELDS = ("name", "unit_mm", "language", "alphabet", "note")


class SurfaceSpec(_Spec, kw_only=True):
    """The `[surface]` table, in layout units."""

    width: float
    height: float


class KeySpec(_Spec, kw_only=True):
    """One `[[keys]]` table."""

    id: str
    label: str | None = None
    x: float
    y: float
    w: float
    h: float
    letters: str = ""
    role: str = "letters"


class LayoutSpec(_Spec, kw_only=True):
    """A whole spec. Fields left out take the defaults given here."""

    name: str
    language: str = ""
    alphabet: str = A_TO_Z
    note: str = ""
    unit_mm: float
    surface: SurfaceSpec
    keys: list[KeySpec]


def spec_fields(data: Mapping[str, Any], *, where: str | None = None) -> dict[str, Any]:
    """The fields of the layout that a mapping (as read from TOML) describes, each key checked by itself.

    Raises LayoutError naming the key and the field that is unknown, missing or not usable; `where` names the source.
    """
    if not isinstance(data, Mapping):
        raise LayoutError("not a table of fields", where=where, field="spec", fix="give a mapping")

    def field_name(steps: list[str]) -> str:
        """The path as people name it: a key by its id, not by its place."""
        if steps[:1] == ["keys"] and len(steps) > 1:
            steps = [_key_name(data, int(steps[1].strip("[]"))), *steps[2:]]
        return ": ".join(steps) or "spec"

    spec = convert(data, LayoutSpec, error=LayoutError, where=where, field_name=field_name)
    fields = {name: getattr(spec, name) for name in _PLAIN_FIELDS}
    keys = []
    for key in spec.keys:
        label = (
            default_label(key.id, key.letters, spec.language) if key.label is None else key.label
        )
        keys.append(Key(**(msgspec.structs.asdict(key) | {"label": label})))
    return fields | msgspec.structs.asdict(spec.surface) | {"keys": tuple(keys)}


def spec_dict(layout: Arrangement) -> dict[str, Any]:
    """The spec as plain data, in canonical order, leaving out whatever equals its default."""
    keys = []
    for key in layout.keys:
        own_label = key.label != default_label(key.id, key.letters, layout.language)
        sides = {side: _plain(getattr(key, side)) for side in ("x", "y", "w", "h")}
        label = key.label if own_label else None
        keys.append(KeySpec(id=key.id, label=label, letters=key.letters, role=key.role, **sides))
    surface = SurfaceSpec(width=_plain(layout.width), height=_plain(layout.height))
    fields = {name: getattr(layout, name) for name in _PLAIN_FIELDS}
    fields["unit_mm"] = _plain(layout.unit_mm)
    data: dict[str, Any] = msgspec.to_builtins(LayoutSpec(surface=surface, keys=keys, **fields))
    return data


def spec_text(data: Mapping[str, Any]) -> str:
    """The canonical TOML of `spec_dict`: the head, `[surface]`, then a `[[keys]]` table a key."""
    head = {field: value for field, value in data.items() if field != "keys"}
    tables = [tomli_w.dumps(head)]
    tables += [f"[[keys]]\n{tomli_w.dumps(key)}" for key in data["keys"]]
    return "\n".join(tables)


def catalogue_names() -> tuple[str, ...]:
    """The names of the public arrangements that `Layout.named` knows, sorted."""
    specs = (entry.name for entry in _FOLDER.iterdir() if entry.name.endswith(".toml"))
    return tuple(sorted(name.removesuffix(".toml") for name in specs))


def catalogue_spec(name: str) -> dict[str, Any]:
    """The spec of a catalogue layout; LayoutError for a name it does not hold.

    Its file may give the letters of each of its `rows` in the place of the surface and the keys: one key of side 1 a
    letter, the rows centred on one another.
    """
    names = catalogue_names()
    if name not in names:
        raise LayoutError(
            f"no layout named {name!r}",
            where="catalogue",
            field="name",
            fix=f"use one of {', '.join(names)}, or Layout.load for a file",
        )
    data = tomllib.loads((_FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    rows = data.pop("rows", None)
    if rows is not None:
        width = max(map(len, rows))
        data["surface"] = {"width": width, "height": len(rows)}
        data["keys"] = [
            {
                "id": letter,
                "letters": letter,
                "x": x + (width - len(row)) / 2,
                "y": y,
                "w": 1,
                "h": 1,
            }
            for y, row in enumerate(rows)
            for x, letter in enumerate(row)
        ]
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
