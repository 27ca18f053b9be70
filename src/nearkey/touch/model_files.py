"""Touch models on disk: readable JSON with a schema name, a version and the model's kind."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from typing import Any

import numpy as np

from nearkey.errors import TouchModelError
from nearkey.files import atomic_write
from nearkey.schema import read_json
from nearkey.touch.key_geometry import Floats

_HEADER = {"schema": "nearkey.touch", "version": 1}
_AGAIN = "save the model again"


def write_model_file(data: Mapping[str, Any], path: str | os.PathLike[str]) -> None:
    """Write a model's data under the header of the format; an older file is replaced whole or not at all.

    It may be read by its owner only: it may tell how one person touches.
    """
    text = _pretty({**_HEADER, **data}) + "\n"
    with atomic_write(path, private=True, error=TouchModelError) as out:
        out.write(text)


def read_model_file(path: str | os.PathLike[str]) -> dict[str, Any]:
    """The data of a model file, its header checked.

    Raises TouchModelError naming the file and field when the file is missing, no JSON, of another schema, or of a
    version that this release does not know.
    """
    where = os.fspath(path)
    data = read_json(path, TouchModelError, fix=_AGAIN)
    schema, version = _HEADER.values()
    if not isinstance(data, dict) or data.get("schema") != schema:
        field, problem, fix = "schema", "is not a touch model", f"expected '{schema}'"
    elif data.get("version") != version:
        field, fix = "version", f"this release reads version {version}"
        problem = f"version {data.get('version')!r} is not known here"
    else:
        return data
    raise TouchModelError(problem, where=where, field=field, fix=fix)


def fitted_arrays(fitted: Mapping[str, Any], **shapes: tuple[int, ...]) -> list[Floats]:
    """Arrays of a model file by name, each checked against its shape.

    Raises TouchModelError for another shape or numbers that are not finite, KeyError for one that is missing.
    """
    found = []
    for name, shape in shapes.items():
        array = np.array(fitted[name], dtype=np.float64)
        if array.shape != shape or not np.isfinite(array).all():
            raise TouchModelError(f"is not numbers of shape {shape}", field=name, fix=_AGAIN)
        found.append(array)
    return found


def _pretty(value: Any, indent: str = "") -> str:
    """JSON with one line per innermost object or list, so that people can read and compare it."""
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    deep = indent + "  "
    if isinstance(value, dict) and (len(flat) > 240 or any(_nested(v) for v in value.values())):
        items = [
            f"{deep}{json.dumps(k, ensure_ascii=False)}: {_pretty(v, deep)}"
            for k, v in value.items()
        ]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        return "[\n" + ",\n".join(deep + _pretty(v, deep) for v in value) + f"\n{indent}]"
    return flat


def _nested(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and any(isinstance(v, dict | list) for v in value)
    )
