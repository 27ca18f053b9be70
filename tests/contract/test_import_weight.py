"""What importing nearkey loads: a keyboard app must not pay for plots, statistics, web or clusters."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

import nearkey

HEAVY = {
    "dask", "datasets", "distributed", "flask", "jinja2", "joblib", "matplotlib", "nltk", "pandas",
    "pyarrow", "requests", "scipy", "sklearn", "tqdm",
}  # fmt: skip


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


def test_the_command_line_starts_light():
    assert loaded_after("import nearkey.cli") & HEAVY == set()


def test_public_names_exist_and_are_listed():
    assert sorted(nearkey._ROOM) == sorted(set(nearkey.__all__) - {"__version__"})
    for name in nearkey.__all__:
        assert getattr(nearkey, name) is not None
    assert set(nearkey.__all__) <= set(dir(nearkey))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = nearkey.nothing
