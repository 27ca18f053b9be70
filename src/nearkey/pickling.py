"""Models travel to other processes as they are, or are refused by name."""

from __future__ import annotations

import inspect
import io
import pickle
from collections.abc import Callable
from typing import Any, cast

from nearkey.errors import NearkeyError


class _Nowhere(io.RawIOBase):
    """Takes bytes and keeps none."""

    def write(self, data: Any, /) -> int:
        return memoryview(data).nbytes


def check_pickles(part: object, *, where: str, field: str) -> None:
    """Raise NearkeyError, with the fault's own words, where a part cannot be pickled by whom it is being pickled.

    For a `__reduce__`, which is where a part that cannot travel can still be named. That costs the part a second
    pickling, whose bytes nobody keeps. A NearkeyError that the part raises by itself passes as it is.
    """
    try:
        _pickler_at_work()(_Nowhere()).dump(part)
    except NearkeyError:
        raise
    except Exception as fault:  # whatever a part's own __reduce__ raises
        raise NearkeyError(
            f"{type(part).__name__} cannot travel to another process: {fault}",
            where=where,
            field=field,
            fix="define its class in a module, and give it __reduce__ where it holds what cannot be pickled",
        ) from None


def _pickler_at_work() -> Callable[[io.RawIOBase], Any]:
    """Plain pickle's, or cloudpickle's where that one asks: loky and dask.distributed use it for classes and functions
    that were defined in a script or a notebook."""
    frame = inspect.currentframe()
    while frame is not None:
        if frame.f_globals.get("__name__", "").endswith("cloudpickle.cloudpickle"):
            return cast(Callable[[io.RawIOBase], Any], frame.f_globals["CloudPickler"])
        frame = frame.f_back
    return pickle.Pickler
