"""Metadata that depend on where the project lives: its addresses, and the links of its README.

A provider of scikit-build-core. A build is told the home by the variable NEARKEY_HOMEPAGE (`make dist HOMEPAGE=…`): an
address under which the files of the repository are found by their paths. Nothing else in the tree names it.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any
from urllib.parse import urljoin, urlsplit

VARIABLE = "NEARKEY_HOMEPAGE"
ROOT = Path(__file__).resolve().parent.parent

_LINK = re.compile(r"\[([^\]]*)\]\((?![a-z]+:|#)([^)]+)\)")
"""A link to a file of the repository: its text, its path."""


def home() -> str | None:
    """The address told, ending in a slash; None where none is told. ValueError for what is no address."""
    told = os.environ.get(VARIABLE, "")
    if not told:
        return None
    parts = urlsplit(told)
    if parts.scheme not in ("http", "https") or not parts.netloc:
        raise ValueError(f"{VARIABLE}: {told!r} is no address; write https://…, or leave it out")
    return told.rstrip("/") + "/"


def dynamic_metadata(field: str, settings: dict[str, Any] | None = None) -> Any:
    """`urls` or `readme` of the project's metadata.

    Links of README become absolute where the home is told, and plain text where it is not: neither form breaks on a
    page that knows nothing of the tree.
    """
    base = home()
    if field == "urls":
        pages = {"Homepage": "", "Documentation": "docs/index.md", "Changelog": "CHANGELOG.md"}
        return {} if base is None else {name: urljoin(base, path) for name, path in pages.items()}
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    readme = _LINK.sub(lambda m: m[1] if base is None else f"[{m[1]}]({urljoin(base, m[2])})", text)
    return {"content-type": "text/markdown", "text": readme}


def dynamic_metadata_needs(field: str, settings: dict[str, Any] | None = None) -> list[str]:
    """Nothing besides Python."""
    return []
