"""Touch logs, cleaning, and models of where touches meant for a key land."""

from nearkey.touch.cleaning import CleaningReport, clean
from nearkey.touch.components import Components
from nearkey.touch.coverage import Coverage, calibration
from nearkey.touch.ellipses import Ellipse, ellipses
from nearkey.touch.finger import FingerTouch
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.gaussian_mixture import MixtureTouch
from nearkey.touch.model_comparison import TouchComparison, compare_touch
from nearkey.touch.model_files import load_touch
from nearkey.touch.people import PeopleTouch, PersonTouch
from nearkey.touch.pooled import PooledTouch
from nearkey.touch.regression import RegressionTouch
from nearkey.touch.scaled import SizeScaledTouch
from nearkey.touch.student import StudentTouch
from nearkey.touch.touch_log import TouchLog, concat

__all__ = [
    "CleaningReport",
    "Components",
    "Coverage",
    "Ellipse",
    "FingerTouch",
    "GaussianTouch",
    "MixtureTouch",
    "PeopleTouch",
    "PersonTouch",
    "PooledTouch",
    "RegressionTouch",
    "SizeScaledTouch",
    "StudentTouch",
    "TouchComparison",
    "TouchLog",
    "calibration",
    "clean",
    "compare_touch",
    "concat",
    "ellipses",
    "load_touch",
]
