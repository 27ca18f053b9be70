"""The doubles stand beside the unit tests."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "unit" / "session"))
