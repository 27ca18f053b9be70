"""Touch logs, cleaning, and models of where touches meant for a key land."""

from nearkey.touch.cleaning import CleaningReport, clean
from nearkey.touch.components import Components
from nearkey.touch.ellipses import Ellipse, ellipses
from nearkey.touch.gaussian import GaussianTouch
from nearkey.touch.log import TouchLog, concat
from nearkey.touch.model_files import load_touch

__all__ = [
    "CleaningReport",
    "Components",
    "Ellipse",
    "GaussianTouch",
    "TouchLog",
    "clean",
    "concat",
    "ellipses",
    "load_touch",
]
