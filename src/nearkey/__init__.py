"""nearkey: decoding and language modelling for typing on surfaces too small to hit single letters.

Public names load on first use, so that a keyboard app pays only for what it imports.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_ROOM = {
    "Candidate": "decode",
    "CleaningReport": "touch",
    "Decoder": "decode",
    "EditCosts": "decode",
    "GaussianTouch": "touch",
    "Key": "layout",
    "Layout": "layout",
    "NearkeyError": "errors",
    "RankResult": "simulate",
    "Selection": "simulate",
    "Speed": "simulate",
    "TouchLog": "touch",
    "catalogue_names": "layout",
    "clean": "touch",
    "count_grids": "layout",
    "ellipses": "touch",
    "grid_layouts": "layout",
    "load_pack": "language",
    "load_touch": "touch",
    "rank_layouts": "simulate",
}

__all__ = [
    "Candidate",
    "CleaningReport",
    "Decoder",
    "EditCosts",
    "GaussianTouch",
    "Key",
    "Layout",
    "NearkeyError",
    "RankResult",
    "Selection",
    "Speed",
    "TouchLog",
    "__version__",
    "catalogue_names",
    "clean",
    "count_grids",
    "ellipses",
    "grid_layouts",
    "load_pack",
    "load_touch",
    "rank_layouts",
]

if TYPE_CHECKING:
    from nearkey.decode import Candidate, Decoder, EditCosts
    from nearkey.errors import NearkeyError
    from nearkey.language import load_pack
    from nearkey.layout import Key, Layout, catalogue_names, count_grids, grid_layouts
    from nearkey.simulate import RankResult, Selection, Speed, rank_layouts
    from nearkey.touch import CleaningReport, GaussianTouch, TouchLog, clean, ellipses, load_touch


def __getattr__(name: str) -> Any:
    if name in _ROOM:
        value = getattr(import_module(f"nearkey.{_ROOM[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'nearkey' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_ROOM})
