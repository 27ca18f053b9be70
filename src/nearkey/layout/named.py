"""The catalogue: public arrangements, each a spec file shipped with the package."""

from __future__ import annotations

from importlib.resources import files

from nearkey.errors import LayoutError

__all__ = ["catalogue_names", "catalogue_text"]

_FOLDER = files("nearkey.layout") / "catalogue"


def catalogue_names() -> tuple[str, ...]:
    """The names that `Layout.named` knows, sorted."""
    return tuple(
        sorted(
            entry.name.removesuffix(".toml")
            for entry in _FOLDER.iterdir()
            if entry.name.endswith(".toml")
        )
    )


def catalogue_text(name: str) -> str:
    """The spec file of a catalogue layout; LayoutError for a name it does not hold."""
    names = catalogue_names()
    if name not in names:
        raise LayoutError(
            f"no layout named {name!r}",
            where="catalogue",
            field="name",
            fix=f"use one of {', '.join(names)}, or Layout.load for a file",
        )
    return (_FOLDER / f"{name}.toml").read_text(encoding="utf-8")
