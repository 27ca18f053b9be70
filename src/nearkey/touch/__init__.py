"""Touch logs, cleaning, and models of where touches meant for a key land."""

from nearkey.touch.calibration import Coverage, calibration
from nearkey.touch.cleaning import CleaningReport, clean
from nearkey.touch.comparison import Comparison, compare_touch
from nearkey.touch.components import Components
from nearkey.touch.ellipses import Ellipse, ellipses
from nearkey.touch.finger import FingerTouch
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.log import TouchLog, concat
from nearkey.touch.mixture import MixtureTouch
from nearkey.touch.model_files import load_touch
from nearkey.touch.people import PeopleTouch, PersonTouch
from nearkey.touch.pooled import PooledTouch
from nearkey.touch.regression import RegressionTouch
from nearkey.touch.scaled import SizeScaledTouch
from nearkey.touch.student import StudentTouch

__all__ = [
    "CleaningReport",
    "Comparison",
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
    "TouchLog",
    "calibration",
    "clean",
    "compare_touch",
    "concat",
    "ellipses",
    "load_touch",
]
