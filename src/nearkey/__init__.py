"""nearkey: decoding and language modelling for typing on surfaces too small to hit single letters.

Public names load on first use, so that a keyboard app pays only for what it imports.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from nearkey.version import VERSION as __version__

_ROOM = {
    "Candidate": "decode",
    "CleaningReport": "touch",
    "Decoder": "decode",
    "EditCosts": "decode",
    "FingerTouch": "touch",
    "GaussianTouch": "touch",
    "Key": "layout",
    "Layout": "layout",
    "MixtureTouch": "touch",
    "NearkeyError": "errors",
    "PeopleTouch": "touch",
    "Person": "personal",
    "PersonalLanguage": "personal",
    "PooledTouch": "touch",
    "RankResult": "simulate",
    "RegressionTouch": "touch",
    "Selection": "simulate",
    "Session": "session",
    "SizeScaledTouch": "touch",
    "Speed": "simulate",
    "StudentTouch": "touch",
    "StudyLog": "study",
    "StudyLogWriter": "study",
    "TouchLog": "touch",
    "Touches": "decode",
    "catalogue_names": "layout",
    "check_decoder": "decode.conformance",
    "check_language_model": "decode.conformance",
    "check_pack": "decode.conformance",
    "check_touch_model": "touch.contract",
    "clean": "touch",
    "compare_touch": "touch.model_comparison",
    "count_grids": "layout",
    "ellipses": "touch",
    "fit_edits": "decode",
    "grid_layouts": "layout",
    "load_pack": "language",
    "load_touch": "touch",
    "measures": "study.study_measures",
    "rank_layouts": "simulate",
    "score_layout": "simulate.score",
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
