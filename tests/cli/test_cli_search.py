"""`nearkey search`: from the example plan to the report, and its faults in one line."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from command_line import run as invoke

from nearkey.language import load_pack
from nearkey.layout import Layout
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


RANKING = """
name = "Hands"
[surface]
width_mm = 18
height_mm = 12
[[candidates]]
layout = "qwerty"
[touch]
spread_mm = 2.0
[people]
count = 3
[corpus]
file = "notes.txt"
context = true
"""


def test_the_noisy_stage_under_the_conditions_of_a_ranking_and_other_texts(plan, tmp_path):
    (tmp_path / "hands.toml").write_text(RANKING)
    lines = ["the line runs north of the old wall", "mark the north corner and the gate"]
    (tmp_path / "notes.txt").write_text("\n".join(lines))
    more = '[noise]\nplan = "hands.toml"\nfinalists = 2\nwords = 40\nrounds = 1\n'
    more += '[report]\ntexts = ["notes.txt"]\n'
    done = invoke("search", plan("list", more=more))
    assert done.exit_code == 0, done.output
    assert "leave one person out: each person types" in done.output
    data = json.loads((tmp_path / "report" / "result.json").read_text())
    assert [one["condition"] for one in data["people"]] == [
        "leave one person out",
        "after calibration",
    ]
    assert {row["layout"] for row in data["people"][0]["rows"]} >= {"qwerty"}
    assert data["conditions"]["noise"]["plan"] == "hands.toml"
    (found,) = data["texts"].values()
    assert len(found) == 6
    # The words of the text, counted again by hand on the best layout.
    best = data["layouts"][0]
    key = {c: k for k in ("r1c1", "r1c2", "r2c1", "r2c2") for c in best[k]}
    pack = load_pack("en")
    first: dict[tuple[str, ...], str] = {}
    for i in np.argsort(-np.asarray(pack.lexicon.log_probs), kind="stable").tolist():
        word = pack.lexicon.words[i]
        first.setdefault(tuple(key.get(c, c) for c in word), word)
    words = " ".join(lines).split()
    hits = sum(first[tuple(key[c] for c in word)] == word for word in words)
    assert found[best["layout"]] == pytest.approx(hits / len(words))
    page = (tmp_path / "report" / "report.html").read_text()
    assert "leave one person out" in page
    assert "<th>notes.txt</th>" in page or "<th>notes</th>" in page


def test_a_text_without_words_of_the_pack_is_refused_before_the_search(plan, tmp_path):
    (tmp_path / "notes.txt").write_text("qqzzx xxzzq")
    asked, kept = plan("list", more='[report]\ntexts = ["notes.txt"]\n'), tmp_path / "kept.log"
    done = invoke("search", asked, "--checkpoint", str(kept))
    assert done.exit_code == 2
    assert "report.texts: has no word of the pack" in done.stderr
    assert not kept.exists()


def test_a_text_that_cannot_be_typed_has_no_share(tmp_path):
    from nearkey.report.search_page import _sensitivity
    from nearkey.search import search_letters
    from nearkey.search.letter_space import grid_space
    from nearkey.search.objectives import AmbiguityObjective, ambiguity_words
    from nearkey.search.searching import _by_texts

    pack, whole = load_pack("en"), Layout.named("qwerty")
    keys = tuple(key for key in whole.keys if key.letters and key.letters in "etaoin")
    base = replace(whole, name="few", alphabet="etaoin", keys=keys)
    space = grid_space(base, rows=1, columns=2)
    *_, found = search_letters(space, [AmbiguityObjective(ambiguity_words(pack, space.letters))])
    result = SearchResult(
        space, found.found, (("top1", "max"),), found.count, "list", found.evaluated, True
    )
    texts = {}
    for word in ("the", "tea"):
        texts[word] = np.zeros(len(pack.lexicon.words))
        texts[word][pack.lexicon.index(word)] = 3
    weighed = _by_texts(texts, pack, result)
    assert set(weighed.texts["the"].values()) == {None}
    assert set(weighed.texts["tea"].values()) <= {0.0, 1.0}
    weighed.save(tmp_path / "result.json")
    assert "none can be typed" in _sensitivity(weighed, pack, 2)


MODULE = """
class Thumb:
    name, direction = "thumb", "min"
    def __init__(self, letter):
        self.letter = letter
    def evaluate(self, space, keys):
        return keys[:, space.letters.index(self.letter)].astype(float)

def thumb(space, pack, letter="e"):
    return Thumb(letter)

def empty(space, pack):
    return None
"""


def test_objectives_of_others_by_name(plan, tmp_path, monkeypatch):
    info = tmp_path / "site" / "thumb_parts-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: thumb-parts\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[nearkey.objectives]\nthumb = thumb_parts:thumb\nempty = thumb_parts:empty\n"
    )
    (tmp_path / "site" / "thumb_parts.py").write_text(MODULE)
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    more = '[[objectives]]\nkind = "thumb"\noptions = { letter = "o" }\n'
    done = invoke("search", plan("list", more=more), "--json", "--no-report")
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert data["objectives"][1] == {"name": "thumb", "direction": "min"}
    keys = ("r1c1", "r1c2", "r2c1", "r2c2")
    assert all("o" in row[keys[int(row["thumb"])]] for row in data["layouts"])
    for text, told in (
        ('kind = "thumb"\noptions = { far = 1 }', 'objective "thumb": its entry point fails'),
        ('kind = "empty"', 'objective "empty": its entry point gives no objective'),
        ('kind = "toes"', "objectives[1].kind"),
        ('kind = "top3"\noptions = { far = 1 }', "objectives[1].options"),
    ):
        done = invoke("search", plan("list", more=f"[[objectives]]\n{text}\n"), "--no-report")
        assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
        assert told in done.stderr


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
        (("[search]", "[noise]\nwords = 9\n[search]"), "noise: needs either spread_mm or plan"),
        (("[search]", '[noise]\nplan = "none.toml"\n[search]'), "noise.plan"),
        (("[search]", '[report]\ntexts = ["none.txt"]\n[search]'), "report.texts[0]"),
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
