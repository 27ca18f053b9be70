"""Models travel to other processes as they are, or are refused by name."""

from __future__ import annotations

import io
import sys
from typing import Any

from nearkey.errors import NearkeyError

__all__ = ["check_pickles"]


class _Nowhere(io.RawIOBase):
    """Takes bytes and keeps none."""

    def write(self, data: Any, /) -> int:
        return memoryview(data).nbytes


def check_pickles(part: object, *, where: str, field: str) -> None:
    """Raise NearkeyError, with the fault's own words, where a part cannot be pickled.

    What plain pickle cannot do, cloudpickle may where the caller has loaded it: it is what loky and
    dask.distributed send classes and functions with that were defined in a script or a notebook.
    """
    import pickle  # none but those who send models pay for it

    try:
        pickle.Pickler(_Nowhere(), protocol=pickle.HIGHEST_PROTOCOL).dump(part)
    except NearkeyError:
        raise
    except Exception:  # whatever a part's own __reduce__ raises
        other = sys.modules.get("cloudpickle") or sys.modules.get("joblib.externals.cloudpickle")
        if other is not None:
            try:
                other.CloudPickler(_Nowhere()).dump(part)
            except Exception as second:
                fault = second
            else:
                return
        raise NearkeyError(
            f"{type(part).__name__} cannot travel to another process: {fault}",
            where=where,
            field=field,
            fix="define its class in a module, and give it __reduce__ where it holds what cannot be pickled",
        ) from None
