"""docs/lab.md: its code, its plan, its messages and its commands are as the lab takes them."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from lab_devices import grid
from pages import run_page

import nearkey as nk
from nearkey.lab.lab_messages import ACTIONS, LabReply, LabRequest, read_request
from nearkey.lab.lab_plan import LabPlan
from nearkey.study import plan_study

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "lab.md").read_text("utf-8")


def test_the_page_s_code_prints_what_the_page_shows(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for printed, shown in run_page("docs/lab.md", at_least=1):
        assert printed == shown


def test_the_page_s_plan_is_one(tmp_path):
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
    data = tomllib.loads(text)
    grid().save(tmp_path / "grid-2x3.toml")
    nk.GaussianTouch.from_layout(grid(), spread_mm=2.0).save(tmp_path / "pooled.json")
    plan_study(
        ["p1"], ["grid"], ["a b", "c d"], seed=1, blocks=1, phrases_per_block=1, practice_phrases=1
    ).write(tmp_path / "study-plan.json")
    (tmp_path / "lab.toml").write_text(text, encoding="utf-8")
    plan = LabPlan.load(tmp_path / "lab.toml")
    assert plan.conditions[0].source == "pooled.json"
    assert set(data["strokes"]) == {"min_mm", "left", "right", "up", "down"}


def test_the_page_s_messages_are_taken_and_every_message_and_action_is_told():
    sent = re.findall(r"^-> (\{.*\})$", PAGE, re.M)
    assert len(sent) == 4
    for line in sent:
        read_request(line)
    for request in get_args(LabRequest):
        tag = request.__struct_config__.tag
        row = re.search(rf"^\| [^|]*`{tag}`[^|]* \|(.*)\|$", PAGE, re.M)
        assert row, f"{tag} is not told of"
        for name in request.__struct_fields__:
            assert f"`{name}`" in row[1], f"{tag}: {name} is not told of"
    for reply in get_args(LabReply):
        assert f"`{reply.__struct_config__.tag}`" in PAGE
    for action in ACTIONS:
        assert f"`{action}`" in PAGE


def test_the_example_s_plan_loads_and_its_people_are_invented():
    plan = LabPlan.load(ROOT / "examples" / "stylus-pad" / "lab.toml")
    assert plan.origin == "invented"
    assert plan.study_plan is not None
    assert plan.study_plan.balanced
    assert [c.layout.width * c.layout.unit_mm for c in plan.conditions] == pytest.approx([18, 18])
