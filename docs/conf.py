"""The documentation site: pages of this folder, and the reference from docstrings. `make site` builds it."""

from __future__ import annotations

import re
from typing import Any

from nearkey.version import VERSION

project = "nearkey"
author = "nearkey maintainers"
copyright = author
release = version = VERSION

extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.viewcode"]
source_suffix = {".md": "myst-nb", ".ipynb": "myst-nb"}
exclude_patterns = ["_build"]
html_theme = "alabaster"
html_theme_options = {"description": "Typing on surfaces too small to hit single letters"}
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3
nb_execution_mode = "off"  # the tests run the pages' blocks and the notebooks' cells
autodoc_member_order = "bysource"
autodoc_typehints = "none"
suppress_warnings = [
    "myst.xref_missing"
]  # links out of this folder, which readers of the repository follow


def _as_text(app: Any, what: str, name: str, of: Any, options: Any, lines: list[str]) -> None:
    """Docstrings are plain text with code in backquotes: shown as it is laid out, in blocks that keep lines."""
    text = "\n".join(lines).strip("\n")
    parts = re.split(r"\n\s*\n", text)
    lines[:] = []
    for part in parts:
        shown = (
            line for line in part.splitlines() if line.strip("- ")
        )  # not the rule under a heading
        lines += [f"| {_plain(line)}" for line in shown]
        lines.append("")


def _plain(line: str) -> str:
    """A line whose signs mean nothing to reStructuredText, code in backquotes as code."""
    indent = " " * (len(line) - len(line.lstrip()))
    pieces = re.split(r"(`{1,2}[^`]+`{1,2})", line.strip())
    shown = [
        f"``{piece.strip('`')}``"
        if piece.startswith("`")
        else re.sub(r"([*_|\\`])", r"\\\1", piece)
        for piece in pieces
    ]
    return indent + "\\ ".join(piece for piece in shown if piece)


def setup(app: Any) -> None:
    """Show docstrings as they are laid out."""
    app.connect("autodoc-process-docstring", _as_text)
