"""The code blocks of README.md and docs/decoding.md run as printed."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import numpy as np

import nearkey as nk

ROOT = Path(__file__).resolve().parents[2]


def run(page: str) -> str:
    """What the blocks of a page print, run in order in one namespace."""
    blocks = re.findall(
        r"```python\n(.*?)```", (ROOT / page).read_text(encoding="utf-8"), re.DOTALL
    )
    assert len(blocks) >= 4
    names: dict[str, object] = {}
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        for block in blocks:
            exec(compile(block, page, "exec"), names)
    return printed.getvalue()


def test_the_readme_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    # Invented touches on the pad the page describes.
    pad = nk.Layout.named("qwerty").fitted(18, 12)
    keys = np.repeat(np.arange(26), 30)
    points = nk.GaussianTouch.from_layout(pad, spread_mm=2.0).sample(keys, np.random.default_rng(0))
    nk.TouchLog.from_points(points, [pad.keys[k].letters for k in keys], person="invented").write(
        "touches.csv"
    )
    printed = run("README.md")
    assert "32 qwerty-2x3-s01" in printed
    assert "level word" in printed
    assert (tmp_path / "touch.json").is_file()
    assert re.search(r"^Level ", printed, re.MULTILINE)  # the session's text


def test_the_page_on_decoding_runs():
    printed = run("docs/decoding.md")
    assert "quick word" in printed
    assert "('instrument', 'edited')" in printed
    assert "The pole is level" in printed
