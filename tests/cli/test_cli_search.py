"""`nearkey search`: from the example plan to the report, and its faults in one line."""

from __future__ import annotations

import csv
import json

import pytest
from command_line import run as invoke

from nearkey.search.search_result import SearchResult

PLAN = """
name = "Pad"
[surface]
width_mm = 18
height_mm = 12
[space]
base = "qwerty"
rows = 2
columns = 2
rule = "ordered"
[[objectives]]
kind = "top1"
[search]
method = "{method}"
words = 2000
restarts = 2
steps = 40
"""


@pytest.fixture
def plan(tmp_path):
    def write(method="prove", more="", **changes):
        text = PLAN.format(method=method) + more
        for old, new in changes.values():
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "plan.toml").write_text(text)
        return str(tmp_path / "plan.toml")

    return write


def test_the_example_is_a_plan(tmp_path):
    from nearkey.search.search_plan import SearchPlan

    done = invoke("search", "--example")
    assert done.exit_code == 0
    (tmp_path / "plan.toml").write_text(done.stdout)
    assert SearchPlan.load(tmp_path / "plan.toml").space.count() == 360_513


def test_a_proof_with_its_certificate_race_and_report(plan, tmp_path):
    noise = "[noise]\nspread_mm = 2.0\nfinalists = 3\nwords = 100\nrounds = 2\n"
    done = invoke("search", plan(more=noise), "--certificate", str(tmp_path / "c.json"))
    assert done.exit_code == 0, done.output
    assert "proven: no layout of the 2,470" in done.output
    assert "through the decoder" in done.output
    data = json.loads((tmp_path / "report" / "result.json").read_text())
    saved = SearchResult.load(tmp_path / "report" / "result.json")
    assert saved.to_dicts() == data["layouts"]
    assert data["complete"]
    assert data["conditions"]["pack"]["checksum"]
    rows = list(csv.DictReader((tmp_path / "report" / "layouts.csv").open()))
    assert len(rows) == len(data["layouts"])
    assert sorted("".join(rows[0][key] for key in ("r1c1", "r1c2", "r2c1", "r2c2"))) == sorted(
        "qwertyuiopasdfghjklzxcvbnm"
    )
    page = (tmp_path / "report" / "report.html").read_text()
    assert page.count("<svg") >= 3
    assert "To repeat it" in page
    assert sorted(map(float, data["noise"])) == [1.0, 2.0, 3.0]
    assert "<th>3 mm</th>" in page
    tree = json.loads((tmp_path / "c.json").read_text())["tree"]
    assert tree[0] == "split"


def test_several_objectives_give_a_front_and_parquet(plan, tmp_path):
    done = invoke(
        "search",
        plan("list", more='[[objectives]]\nkind = "familiarity"\n[[objectives]]\nkind = "wpm"\n'),
    )
    assert done.exit_code == 0, done.output
    assert "all 2,470 layouts were evaluated" in done.output
    parquet = pytest.importorskip("pyarrow.parquet")
    table = parquet.read_table(tmp_path / "report" / "layouts.parquet")
    assert {"layout", "front", "top1", "familiarity", "wpm"} <= set(table.column_names)
    assert "The front" in (tmp_path / "report" / "report.html").read_text()


def test_a_search_goes_on_from_its_checkpoint(plan, tmp_path):
    path = plan("anneal")
    first = invoke("search", path, "--no-report", "--json", "--checkpoint", str(tmp_path / "c.log"))
    lines = (tmp_path / "c.log").read_bytes()
    again = invoke("search", path, "--no-report", "--json", "--checkpoint", str(tmp_path / "c.log"))
    assert first.stdout == again.stdout
    assert (tmp_path / "c.log").read_bytes() == lines


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("rows = 2", "rows = 0"), "space.rows"),
        (('rule = "ordered"', 'rule = "any"'), "space.rule"),
        (('kind = "top1"', 'kind = "speed"'), "objectives"),
        (('kind = "top1"', 'kind = "reach"'), "only one objective of ambiguity has a bound"),
        (('base = "qwerty"', 'base = "nowhere.toml"'), "space.base"),
        (("columns = 2", 'columns = 2\npins = {a = "x"}'), "space.pins"),
        (("columns = 2", 'columns = 2\ntogether = ["qw"]\napart = ["qw"]'), "allows no layout"),
        (("width_mm = 18", "width_mm = -1"), "surface.width_mm"),
        (("[space]", "[spaces]"), "spaces"),
    ],
)
def test_faults_are_one_line(plan, change, told):
    done = invoke("search", plan(a=change), "--no-report")
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stderr.count("\n") == 1


def test_faults_of_options(plan):
    for options, told in (
        (["--workers", "0"], "--workers"),
        (["--cluster", "tcp://127.0.0.1:9"], "no scheduler"),
    ):
        done = invoke("search", plan(), "--no-report", *options)
        assert done.exit_code == 2
        assert told in done.stderr
    assert invoke("search").exit_code == 2
    done = invoke("search", plan("list"), "--certificate", "c.json")
    assert "needs a proof" in done.stderr
