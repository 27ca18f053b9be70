"""Touch models on disk: readable JSON with a schema name, a version and the model's kind."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from typing import Any

import numpy as np

from nearkey.errors import NearkeyError, TouchModelError
from nearkey.files import atomic_write, read_text
from nearkey.touch.base import TouchBase
from nearkey.touch.key_geometry import Geometry

__all__ = ["load_touch", "save_touch"]

SCHEMA = "nearkey.touch"
VERSION = 1
# Parameters that files call by another name.
_IN_FILES = {"mislabelling": "doubt"}
_IN_CODE = {file_name: name for name, file_name in _IN_FILES.items()}


def save_touch(model: TouchBase, path: str | os.PathLike[str]) -> None:
    """Write a fitted model; the file replaces an older one whole or not at all."""
    data = {
        "schema": SCHEMA,
        "version": VERSION,
        "kind": model.kind,
        "params": _plain_params(model),
        "layout": model._fitted().to_dict(),
        "fitted": model._fitted_dict(),
    }
    text = pretty(data) + "\n"
    with atomic_write(path) as out:
        out.write(text)


def load_touch(path: str | os.PathLike[str]) -> Any:
    """Read a model written by `save`.

    Raises TouchModelError naming the file and field when the file is missing, damaged, of another
    schema, of a later version, or of a kind this release does not have.
    """
    where = os.fspath(path)
    try:
        data = json.loads(read_text(path, TouchModelError))
    except json.JSONDecodeError as fault:
        raise TouchModelError(
            f"not valid JSON: {fault.msg}",
            where=where,
            field=f"line {fault.lineno}",
            fix="save the model again",
        ) from None
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise TouchModelError(
            "is not a touch model", where=where, field="schema", fix=f"expected '{SCHEMA}'"
        )
    if data.get("version") != VERSION:
        raise TouchModelError(
            f"version {data.get('version')!r} is not known here",
            where=where,
            field="version",
            fix=f"this release reads version {VERSION}",
        )
    kinds = _kinds()
    if data.get("kind") not in kinds:
        raise TouchModelError(
            f"kind {data.get('kind')!r} is not known here",
            where=where,
            field="kind",
            fix=f"kinds are {', '.join(kinds)}",
        )
    try:
        with np.errstate(all="ignore"):
            model = restored(data, Geometry.from_dict(data["layout"]))
    except NearkeyError as fault:
        raise TouchModelError(
            fault.problem, where=where, field=fault.field, fix=fault.fix
        ) from None
    except KeyError as fault:
        raise TouchModelError(
            "is missing", where=where, field=str(fault.args[0]), fix="save the model again"
        ) from None
    except (TypeError, ValueError, IndexError, AttributeError) as fault:
        raise TouchModelError(
            f"is damaged: {fault}", where=where, field="fitted", fix="save the model again"
        ) from None
    return model


def restored(data: Mapping[str, Any], geometry: Geometry) -> Any:
    """A model from its kind, params and fitted values; any error means that they are damaged."""
    params = {
        _IN_CODE.get(name, name): _kinds()[value["kind"]](**value["params"])
        if isinstance(value, dict)
        else value
        for name, value in data["params"].items()
    }
    model = _kinds()[data["kind"]](**params)
    model.geometry_ = geometry
    model._restore(data["fitted"])
    if not np.isfinite(model.log_prob(geometry.centers)).all():
        raise ValueError("densities are not finite")
    return model


def _plain_params(model: TouchBase) -> dict[str, Any]:
    return {
        _IN_FILES.get(name, name): {"kind": value.kind, "params": _plain_params(value)}
        if isinstance(value, TouchBase)
        else value
        for name, value in model.get_params().items()
    }


def _kinds() -> dict[str, type[Any]]:
    from nearkey.touch.finger import FingerTouch
    from nearkey.touch.gaussian import GaussianTouch
    from nearkey.touch.gaussian_mixture import MixtureTouch
    from nearkey.touch.people import PeopleTouch, PersonTouch
    from nearkey.touch.pooled import PooledTouch
    from nearkey.touch.regression import RegressionTouch
    from nearkey.touch.scaled import SizeScaledTouch
    from nearkey.touch.student import StudentTouch

    models = (
        GaussianTouch,
        PooledTouch,
        MixtureTouch,
        SizeScaledTouch,
        RegressionTouch,
        StudentTouch,
        PeopleTouch,
        PersonTouch,
        FingerTouch,
    )
    return {model.kind: model for model in models}


def pretty(value: Any, indent: str = "") -> str:
    """JSON with one line per innermost object or list, so that people can read and compare it."""
    flat = json.dumps(value, ensure_ascii=False, allow_nan=False)
    deep = indent + "  "
    if isinstance(value, dict) and (len(flat) > 240 or any(_nested(v) for v in value.values())):
        items = [
            f"{deep}{json.dumps(k, ensure_ascii=False)}: {pretty(v, deep)}"
            for k, v in value.items()
        ]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        return "[\n" + ",\n".join(deep + pretty(v, deep) for v in value) + f"\n{indent}]"
    return flat


def _nested(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and any(isinstance(v, dict | list) for v in value)
    )
