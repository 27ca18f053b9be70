"""`nearkey rank`: the table, JSON, the report, checkpoints, finger widths."""

from __future__ import annotations

import json

import pytest
from command_line import done, listing, refused, strict_json
from invented_touches import invented_log

import nearkey as nk
from nearkey.simulate.rank_plan import RankPlan
from nearkey.text_table import within_width

PLAN = """
name = "invented pad"
words = 5000
seed = 3

[surface]
width_mm = 18
height_mm = 12

[[candidates]]
base = "qwerty"
rows = 3
columns = 2

[baseline]
layout = "qwerty"

[[touch.logs]]
file = "grid.csv"
grid = { base = "qwerty", rows = 3, columns = 2 }

[[touch.logs]]
file = "letters.csv"
layout = "qwerty"

[report]
folder = "out"
title = "Two grids and 26 keys"
"""
QWERTY = nk.Layout.named("qwerty")
NAMES = {"qwerty", "qwerty-3x2-s01", "qwerty-3x2-s02"}
FEW = ("--words", 200, "--no-report")
pytestmark = pytest.mark.usefixtures("english")


@pytest.fixture
def plan(tmp_path):
    folder = tmp_path / "plan"
    folder.mkdir()
    (folder / "plan.toml").write_text(PLAN)
    grid = next(nk.grid_layouts(QWERTY, rows=3, columns=2, width_mm=18, height_mm=12))
    invented_log(grid, spread_mm=2.0).write(folder / "grid.csv")
    invented_log(QWERTY.fitted(18, 12), spread_mm=2.0, each=4).write(folder / "letters.csv")
    return folder / "plan.toml"


def test_the_table_is_that_of_python_and_nothing_is_written(plan, english):
    before = listing(plan.parent)
    found = done("rank", plan, *FEW)
    assert listing(plan.parent) == before
    loaded = RankPlan.load(plan)
    settings = loaded.settings() | {"words": 200}
    expected = nk.rank_layouts(loaded.layouts, pack=english, **settings)
    assert found.stdout.rstrip("\n") == within_width(expected.table(15))
    assert {row.layout for row in expected.rows} == NAMES
    # What cleaning did to the logs goes to standard error.
    assert found.stderr.count("Dropped ") == 2


def test_json_parses_and_settings_stand_in_for_the_plans(plan):
    rows = strict_json(done("rank", plan, *FEW, "--json").stdout)
    assert {row["layout"] for row in rows} == NAMES
    assert [row["place"] for row in rows] == [1, 2, 3]
    assert all(row["words"] == 200 for row in rows)
    for row in rows:
        assert row["top1"]["low"] <= row["top1"]["value"] <= row["top1"]["high"]
        assert row["top1"]["value"] <= row["top3"]["value"] <= row["top5"]["value"]
    assert strict_json(done("rank", plan, *FEW, "--json", "--workers", 2).stdout) == rows
    assert strict_json(done("rank", plan, *FEW, "--json", "--seed", 4).stdout) != rows
    table = done("rank", plan, *FEW, "--limit", 1).stdout
    assert "qwerty" in table
    assert len({line.split()[1] for line in table.splitlines() if line[:1].isdigit()}) <= 2
    assert all(len(line) <= 80 for line in table.splitlines() if line[:1].isdigit())


def test_the_report_goes_where_the_plan_or_the_option_says(plan, tmp_path):
    found = done("rank", plan, "--words", 200)
    page = plan.parent / "out" / "report.html"
    assert found.stdout.rstrip().endswith(f"report: {page}")
    assert "Two grids and 26 keys" in page.read_text()
    other = tmp_path / "elsewhere"
    found = done("rank", plan, "--words", 200, "--report", other, "--json")
    strict_json(found.stdout)
    assert f"report: {other / 'report.html'}" in found.stderr
    assert (other / "report.html").exists()


def test_a_report_folder_that_cannot_be_written_is_said_before_the_work(plan, tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("a file")
    line = refused(tmp_path, "rank", plan, "--words", 1_000_000, "--report", taken / "in")
    assert "taken/in: folder: cannot be written" in line
    again = plan.read_text().replace('folder = "out"', 'folder = "grid.csv/out"')
    plan.write_text(again)
    line = refused(tmp_path, "rank", plan, "--words", 1_000_000)
    assert line.endswith(
        "grid.csv/out: folder: cannot be written: Not a directory; name a folder that can be written"
    )


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        ("true", "the text was training text of the pack"),
        ("false", "the text was held out from training"),
        (None, "whether the pack was trained on the text is not known"),
    ],
)
def test_the_table_says_whether_the_pack_has_seen_the_text(plan, seen, says):
    (plan.parent / "notes.txt").write_text("the fence line is hidden\nby the hedge in the east\n")
    told = "" if seen is None else f"seen = {seen}\n"
    plan.write_text(f'{PLAN}\n[corpus]\nfile = "notes.txt"\n{told}')
    # Prose is broken at spaces to stay within 80 columns.
    assert says in " ".join(done("rank", plan, *FEW, "--matched-only").stdout.split())


def test_an_interrupted_run_goes_on(plan, tmp_path):
    kept = tmp_path / "run.jsonl"
    whole = done("rank", plan, "--words", 2500, "--no-report", "--checkpoint", kept).stdout
    lines = kept.read_bytes().splitlines(keepends=True)
    assert len(lines) == 1 + 3 * 3
    kept.write_bytes(b"".join(lines[:5]) + lines[5][:40])  # killed while writing the fifth chunk
    again = done("rank", plan, "--words", 2500, "--no-report", "--checkpoint", kept).stdout
    assert again == whole
    assert sorted(kept.read_bytes().splitlines()) == sorted(line.rstrip() for line in lines)
    other = ("rank", plan, "--words", 2500, "--no-report", "--seed", 4, "--checkpoint", kept)
    assert "belongs to another run" in refused(tmp_path, *other)
    kept.write_bytes(lines[0] + b"{}\n" + lines[1])
    damaged = ("rank", plan, "--words", 2500, "--no-report", "--checkpoint", kept)
    assert "line 2: is damaged" in refused(tmp_path, *damaged)


def test_finger_widths_give_a_table_a_width(plan, tmp_path):
    widths = ("rank", plan, "--words", 200, "--finger-widths", "8,10,12,14,16")
    before = listing(tmp_path)
    found = done(*widths)
    assert listing(tmp_path) == before
    lines = found.stdout.splitlines()
    assert [line.split()[0] for line in lines[1:7]] == ["8", "10", "12", "14", "16", "mean"]
    assert "200 words on each of 3 layouts at each width" in found.stdout
    assert "learnt from 4 people); measured: fingers of 10 to 16 mm; extrapolated: 8 mm" in (
        " ".join(found.stderr.split())
    )
    rows = strict_json(done(*widths, "--json").stdout)
    assert [row["width_mm"] for row in rows] == [8, 10, 12, 14, 16]
    assert all(row["best"] in NAMES for row in rows)
    # Misses in proportion to the finger: larger fingers do worse.
    fixed = strict_json(done(*widths, "--json", "--finger-exponent", 1).stdout)
    assert fixed[0]["top3"]["value"] > fixed[-1]["top3"]["value"]
    # Without dependence on the finger, all widths are one.
    flat = strict_json(done(*widths, "--json", "--finger-exponent", 0).stdout)
    assert len({json.dumps(row["top3"]) for row in flat}) == 1


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--finger-widths", "8,wide"), "--finger-widths: '8,wide' are not numbers; write"),
        (("--finger-widths", ""), "--finger-widths: '' are not numbers"),
        (("--finger-widths", "8,-1"), "widths_mm: is -1; give millimetres above 0"),
        (("--finger-widths", "nan"), "widths_mm: is nan"),
        (("--finger-widths", "8,8"), "widths_mm: 8 stands twice"),
        (("--finger-widths", "8", "--finger-exponent", "-1"), "exponent: is -1.0"),
        (("--finger-widths", "8", "--report", "x"), "--report: tells of one ranking"),
        (("--finger-exponent", "1"), "--finger-exponent: speaks of fingers"),
        (("--words", "1"), "words: 1 words give no interval; type 2 or more"),
        (("--workers", "0"), "workers: 0 is out of range; give a whole number from 1 to 1024"),
        (("--seed", "-3"), "seed: is -3; give 0 or more"),
    ],
)
def test_bad_options_are_refused_in_one_line(plan, tmp_path, options, says):
    assert says in refused(tmp_path, "rank", plan, *options)


def test_fingers_need_logs_with_widths(plan, tmp_path):
    pad = QWERTY.fitted(18, 12)
    invented_log(pad, widths=False).write(plan.parent / "letters.csv")
    line = refused(tmp_path, "rank", plan, "--finger-widths", "8,10")
    assert line == (
        f"nearkey: {plan}: touch.logs[1].file: {plan.parent / 'letters.csv'} does not give "
        "everyone's finger width; fill its column width_mm, in millimetres"
    )
