"""The code of docs/benchmarking.md runs and prints what the page says.

The figures follow the English pack, which may be built anew: words must agree, figures roughly.
"""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest
from pages import run_shell

NUMBER = re.compile(r"[-+]?\d+\.\d+")
PAGE = Path(__file__).parents[3] / "docs" / "benchmarking.md"


def test_the_page_runs_as_printed(english, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = PAGE.read_text(encoding="utf-8")
    blocks = re.findall(r"```(python|sh)\n(.*?)```(?:\n\n```text\n(.*?)```)?", text, re.DOTALL)
    assert [kind for kind, _, _ in blocks].count("python") == 5
    names: dict[str, object] = {}
    for kind, code, printed in blocks:
        if kind == "sh":
            run_shell(code)
            continue
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            exec(compile(code, str(PAGE), "exec"), names)
        found, shown = out.getvalue(), printed
        assert NUMBER.sub("#", found).split() == NUMBER.sub("#", shown).split()
        for now, then in zip(NUMBER.findall(found), NUMBER.findall(shown), strict=True):
            assert float(now) == pytest.approx(float(then), rel=0.1, abs=3.0)
