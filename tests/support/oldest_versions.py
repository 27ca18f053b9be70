"""The oldest versions of nearkey's dependencies that its metadata allows, as pip takes them.

`python oldest_versions.py pyproject.toml EXTRA...`
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path


def oldest(pyproject: Path, extras: list[str]) -> list[str]:
    """Each dependency, and those of the extras, pinned to the version its lower bound names."""
    project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"]]
    for extra in extras:
        wanted += project["optional-dependencies"][extra]
    return [need.replace(">=", "==") for need in wanted if ">=" in need]


if __name__ == "__main__":
    print("\n".join(oldest(Path(sys.argv[1]), sys.argv[2:])))
