"""Touch logs, cleaning, and models of where touches meant for a key land."""

from nearkey.touch.cleaning import CleaningReport, clean
from nearkey.touch.components import Components
from nearkey.touch.contract import check_touch_model
from nearkey.touch.coverage import Coverage, Ellipse, calibration, ellipses
from nearkey.touch.finger import FingerTouch
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.gaussian_mixture import MixtureTouch
from nearkey.touch.model_comparison import TouchComparison, compare_touch
from nearkey.touch.people import PeopleTouch, PersonTouch
from nearkey.touch.pooled import PooledTouch
from nearkey.touch.regression import RegressionTouch
from nearkey.touch.scaled import SizeScaledTouch
from nearkey.touch.student import StudentTouch
from nearkey.touch.touch_log import TouchLog, concat
from nearkey.touch.touch_log_writer import TouchLogWriter
from nearkey.touch.touch_models import (
    TOUCH_MODELS,
    AdaptingTouch,
    NearestKeyTouch,
    default_models,
    load_touch,
    touch_families,
    touch_family,
)

__all__ = [
    "TOUCH_MODELS",
    "AdaptingTouch",
    "CleaningReport",
    "Components",
    "Coverage",
    "Ellipse",
    "FingerTouch",
    "GaussianTouch",
    "MixtureTouch",
    "NearestKeyTouch",
    "PeopleTouch",
    "PersonTouch",
    "PooledTouch",
    "RegressionTouch",
    "SizeScaledTouch",
    "StudentTouch",
    "TouchComparison",
    "TouchLog",
    "TouchLogWriter",
    "calibration",
    "check_touch_model",
    "clean",
    "compare_touch",
    "concat",
    "default_models",
    "ellipses",
    "load_touch",
    "touch_families",
    "touch_family",
]
