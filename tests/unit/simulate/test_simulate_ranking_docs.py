"""docs/ranking.md: its code runs and prints what the page says, and its table of fields is whole.

The figures follow the English pack, which may be built anew: words must agree, figures roughly.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
from pages import run_shell

from nearkey.simulate import HandTraits, Selection, Speed, rank_plan

PAGE = Path(__file__).parents[3] / "docs" / "ranking.md"
NUMBER = re.compile(r"[-+]?\d+\.\d+")


def test_the_page_runs_as_printed(english, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```(python|toml|text|sh)\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
    names: dict[str, Any] = {}
    found, told = "", 0
    for kind, block in blocks:
        if kind == "toml":
            Path("plan.toml").write_text(block)
        elif kind == "sh":
            run_shell(block)
        elif kind == "python":
            out = io.StringIO()
            with contextlib.redirect_stdout(out):
                exec(compile(block, str(PAGE), "exec"), names)
            found = out.getvalue()
        else:
            told += 1
            # Which of near equals comes first, and so how wide a column is, may change with the pack.
            assert NUMBER.sub("#", found).split() == NUMBER.sub("#", block).split()
            for now, then in zip(NUMBER.findall(found), NUMBER.findall(block), strict=True):
                assert float(now) == pytest.approx(float(then), rel=0.1, abs=0.02)
    assert told == 6
    assert names["result"].rows


def fields(kind: Any, prefix: str = "") -> set[str]:
    """The dotted names of a plan's fields; lists and tables are named, too."""
    out = set()
    if dataclasses.is_dataclass(kind):
        return {f"{prefix}{f.name}" for f in dataclasses.fields(kind)}
    for field in msgspec.structs.fields(kind):
        name = prefix + field.encode_name
        inner = {
            "surface": rank_plan.PlanSurface,
            "candidates": rank_plan.PlanGrid,
            "touch": rank_plan.PlanTouch,
            "touch.logs": rank_plan.PlanLog,
            "baseline": rank_plan.PlanBaseline,
            "corpus": rank_plan.PlanCorpus,
            "report": rank_plan.PlanReport,
            "selection": Selection,
            "speed": Speed,
            "decoder": rank_plan.PlanDecoder,
            "people": rank_plan.PlanPeople,
            "people.traits": HandTraits,
        }.get(name)
        out |= {name} if inner is None else fields(inner, f"{name}.")
    return out


def test_every_field_of_a_plan_is_on_the_page():
    rows = re.findall(r"^\| (`[a-z].*?) \|", PAGE.read_text("utf-8"), re.MULTILINE)
    named = {name for row in rows for name in re.findall(r"`([a-z_.]+)`", row)}
    expected = fields(rank_plan.PlanFile)
    assert len(expected) > 30
    assert expected <= named
    assert "touch.logs.grid" in expected
