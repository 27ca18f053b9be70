"""Libraries that only some work needs: imported when it begins, with an error that names the extra to install."""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any

from nearkey.errors import NearkeyError


def library(
    name: str,
    *,
    extra: str | None = None,
    needs: str | None = None,
    where: str | os.PathLike[str] | None = None,
) -> Any:
    """A library by the name of its module.

    Parameters
    ----------
    extra : nearkey's extra that brings it; None where it is installed by its own name.
    needs : what needs it, as in "pictures need matplotlib".
    where : the file or call that asks for it, for the error.

    Raises NearkeyError where it is not installed.
    """
    try:
        return import_module(name)
    except ImportError:
        own = name.partition(".")[0]
        fix = f"pip install 'nearkey[{extra}]'" if extra else f"pip install {own}"
        raise NearkeyError(needs or f"needs {own}", where=where, fix=fix) from None
