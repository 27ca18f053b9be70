"""What importing nearkey loads: a keyboard app must not pay for plots, statistics, web or clusters."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import nearkey

HEAVY = {
    "dask", "datasets", "distributed", "flask", "jinja2", "joblib", "matplotlib", "nltk", "pandas",
    "pyarrow", "requests", "scipy", "segno", "sklearn", "starlette", "tqdm", "uvicorn", "websockets",
}  # fmt: skip
# The same of the standard library: what a decoder has no use for, and what took a sixth of its start.
WEB = {
    "asyncio",
    "ftplib",
    "http",
    "multiprocessing",
    "sqlite3",
    "ssl",
    "tkinter",
    "unittest",
    "xml",
}


def loaded_after(code: str) -> set[str]:
    """Top-level modules loaded by a fresh interpreter that runs `code`."""
    script = f"{code}\nimport json, sys\nprint(json.dumps(sorted({{m.split('.')[0] for m in sys.modules}})))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_importing_the_package_loads_nothing_but_itself():
    loaded = loaded_after("import nearkey")
    assert "nearkey" in loaded
    assert loaded & (HEAVY | {"numpy", "click", "msgspec", "marisa_trie"}) == set()


def test_decoding_and_sessions_load_only_what_a_keyboard_needs():
    loaded = loaded_after(
        "import nearkey as nk\n"
        "layout = nk.Layout.named('qwerty')\n"
        "nk.GaussianTouch.from_layout(layout, spread=0.3)\n"
        "nk.Decoder, nk.load_pack, nk.TouchLog, nk.rank_layouts"
    )
    assert "numpy" in loaded
    assert loaded & HEAVY == set()


def test_a_decoder_loads_no_web_of_the_standard_library():
    loaded = loaded_after(
        "import nearkey as nk\n"
        "layout = nk.Layout.named('qwerty')\n"
        "nk.GaussianTouch.from_layout(layout, spread=0.3)\n"
        "nk.Decoder, nk.load_pack, nk.Session"
    )
    assert loaded & WEB == set()


def test_the_command_line_starts_light():
    assert loaded_after("import nearkey.cli") & HEAVY == set()


def test_public_names_are_what_type_checkers_are_told_they_are():
    """Each name is loaded from the module that the stanza for type checkers imports it from, under its own name."""
    told = {}
    tree = ast.parse(Path(nearkey.__file__).read_text(encoding="utf-8"))
    for stanza in (n for n in tree.body if isinstance(n, ast.If)):
        for node in (n for n in stanza.body if isinstance(n, ast.ImportFrom)):
            told |= {alias.name: node.module for alias in node.names}
    assert set(told) == set(nearkey._ROOM) == set(nearkey.__all__) - {"__version__"}
    for name, module in told.items():
        value = getattr(nearkey, name)
        assert value is getattr(import_module(module), name)
        assert value.__name__ == name
    assert set(nearkey.__all__) <= set(dir(nearkey))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = nearkey.nothing
