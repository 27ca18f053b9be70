"""Settings of a context model's training, as a command line gives them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypeVar

from nearkey.errors import PackError

T = TypeVar("T")


def training_options(kind: type[T], settings: Sequence[str], **given: Any) -> T:
    """Options of a training.

    kind : their dataclass. settings : ``name=value``, each of a field of it. given : further fields.

    Raises PackError for an unknown name, and a value of another type.
    """
    known = {field.name: type(field.default) for field in fields(kind)}  # type: ignore[arg-type]
    values = dict(given)
    for setting in settings:
        name, _, value = setting.partition("=")
        if name not in known:
            raise PackError(
                "no such setting", where="--set", field=name, fix=f"one of {', '.join(known)}"
            )
        try:
            values[name] = _read(value, known[name])
        except ValueError:
            raise PackError(
                f"{value!r} is no {known[name].__name__}", where="--set", field=name,
                fix="correct the value",
            ) from None  # fmt: skip
    return kind(**values)


def _read(value: str, kind: type) -> Any:
    if kind is bool:
        if value not in ("true", "false"):
            raise ValueError
        return value == "true"
    return kind(value)
