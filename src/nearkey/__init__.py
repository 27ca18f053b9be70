"""nearkey: decoding and language modelling for typing on surfaces too small to hit single letters.

Public names load on first use, so that a keyboard app pays only for what it imports.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from nearkey.version import VERSION as __version__

_ROOM = {
    name: room
    for room, names in {
        "decode": "Candidate Decoder EditCosts Touches fit_edits",
        "decode.conformance": "check_decoder check_language_model check_pack",
        "errors": "NearkeyError",
        "language": "load_pack",
        "layout": "Key Layout catalogue_names count_grids grid_layouts",
        "personal": "Person PersonalLanguage",
        "session": "Session",
        "simulate": "RankResult Selection Speed rank_layouts",
        "simulate.score": "score_layout",
        "study": "StudyLog StudyLogWriter",
        "study.study_measures": "measures",
        "touch": (
            "CleaningReport FingerTouch GaussianTouch MixtureTouch PeopleTouch PooledTouch "
            "RegressionTouch SizeScaledTouch StudentTouch TouchLog clean ellipses load_touch"
        ),
        "touch.contract": "check_touch_model",
        "touch.model_comparison": "compare_touch",
    }.items()
    for name in names.split()
}

__all__ = [
    "Candidate",
    "CleaningReport",
    "Decoder",
    "EditCosts",
    "FingerTouch",
    "GaussianTouch",
    "Key",
    "Layout",
    "MixtureTouch",
    "NearkeyError",
    "PeopleTouch",
    "Person",
    "PersonalLanguage",
    "PooledTouch",
    "RankResult",
    "RegressionTouch",
    "Selection",
    "Session",
    "SizeScaledTouch",
    "Speed",
    "StudentTouch",
    "StudyLog",
    "StudyLogWriter",
    "TouchLog",
    "Touches",
    "__version__",
    "catalogue_names",
    "check_decoder",
    "check_language_model",
    "check_pack",
    "check_touch_model",
    "clean",
    "compare_touch",
    "count_grids",
    "ellipses",
    "fit_edits",
    "grid_layouts",
    "load_pack",
    "load_touch",
    "measures",
    "rank_layouts",
    "score_layout",
]

if TYPE_CHECKING:
    from nearkey.decode import Candidate, Decoder, EditCosts, Touches, fit_edits
    from nearkey.decode.conformance import check_decoder, check_language_model, check_pack
    from nearkey.errors import NearkeyError
    from nearkey.language import load_pack
    from nearkey.layout import Key, Layout, catalogue_names, count_grids, grid_layouts
    from nearkey.personal import Person, PersonalLanguage
    from nearkey.session import Session
    from nearkey.simulate import RankResult, Selection, Speed, rank_layouts
    from nearkey.simulate.score import score_layout
    from nearkey.study import StudyLog, StudyLogWriter
    from nearkey.study.study_measures import measures
    from nearkey.touch import (
        CleaningReport,
        FingerTouch,
        GaussianTouch,
        MixtureTouch,
        PeopleTouch,
        PooledTouch,
        RegressionTouch,
        SizeScaledTouch,
        StudentTouch,
        TouchLog,
        clean,
        ellipses,
        load_touch,
    )
    from nearkey.touch.contract import check_touch_model
    from nearkey.touch.model_comparison import compare_touch


def __getattr__(name: str) -> Any:
    if name in _ROOM:
        value = getattr(import_module(f"nearkey.{_ROOM[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'nearkey' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_ROOM})
