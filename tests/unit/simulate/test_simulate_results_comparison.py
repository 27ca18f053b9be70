"""Comparing two results files. Own rules, no outside source."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

from nearkey.errors import PlanError
from nearkey.simulate.results_comparison import TOLERANCE, compare_results, read_tolerance
from nearkey.simulate.score import score_layout
from nearkey.touch import GaussianTouch


@pytest.fixture(scope="module")
def score():
    layout = row_layout(["ab", "cd", "ef"])
    words = ["ace", "bed", "add", "fab", "cab", "deaf", "be", "da"]
    shares = np.linspace(2, 1, len(words))
    lexicon = SmallLexicon(words, np.log(shares / shares.sum()).astype(np.float32))
    return score_layout(
        layout,
        touch=GaussianTouch.from_layout(layout, spread=0.5),
        pack=SmallPack(lexicon, PlainModel(words)),
        words=200,
        compare=True,
        compare_words=50,
        latency_words=0,
    ).to_dict()


def written(tmp_path, name, data):
    path = tmp_path / name
    path.write_text(json.dumps(data))
    return path


def benchmark(**scenarios):
    return {"schema": "nearkey-benchmark", "version": 1, "scenarios": scenarios}


def test_a_file_moved_nowhere_from_itself(tmp_path, score):
    path = written(tmp_path, "a.json", score)
    found = compare_results(path, path)
    assert found.moved == ()
    assert found.compared > 50
    assert str(found) == f"0 of {found.compared} figures moved beyond tolerance"


def test_what_moved_beyond_its_tolerance_is_named_the_furthest_first(tmp_path, score):
    after = copy.deepcopy(score)
    top1 = after["score"]["all"]["top1"]["value"]
    kspc = after["score"]["all"]["kspc"]["value"]
    after["score"]["all"]["top1"]["value"] = top1 - 2.5 * TOLERANCE["top1"]
    after["score"]["all"]["top3"]["value"] += 0.9 * TOLERANCE["top3"]
    after["score"]["all"]["kspc"]["value"] = kspc - 10 * TOLERANCE["kspc"]
    after["compared"]["no context"]["all"]["top1"]["value"] += 4 * TOLERANCE["top1"]
    found = compare_results(written(tmp_path, "a.json", score), written(tmp_path, "b.json", after))
    assert [(m.what, m.measure, m.verdict) for m in found.moved] == [
        ("row nearkey", "kspc", "better"),
        ("row beside: no context", "top1", "better"),
        ("row nearkey", "top1", "worse"),
    ]
    assert found.moved[2].before == top1
    assert "worse   row nearkey" in str(found)
    assert found.to_dict()["moved"][0]["verdict"] == "better"


def test_scenarios_that_one_file_lacks_and_other_conditions_are_told(tmp_path, score):
    other = copy.deepcopy(score)
    other["conditions"]["seed"] = 9
    before = written(tmp_path, "a.json", benchmark(**{"en.a": score, "en.b": score, "en.c": score}))
    after = written(tmp_path, "b.json", benchmark(**{"en.b": other, "en.c": other, "en.d": score}))
    found = compare_results(before, after)
    assert any(one.startswith("en.a") for one in found.only_before)
    assert any(one.startswith("en.d") for one in found.only_after)
    assert not any("en.b" in one for one in (*found.only_before, *found.only_after))
    assert found.conditions == ("seed: 0 / 9 (in 2 scenarios)",)


def test_faults_that_appear_are_worse(tmp_path, score):
    after = copy.deepcopy(score)
    after["compared"]["no context"]["faults"] = {"crashed": {"count": 1, "examples": ["x"]}}
    found = compare_results(written(tmp_path, "a.json", score), written(tmp_path, "b.json", after))
    assert [(m.measure, m.verdict) for m in found.moved] == [("faults", "worse")]


def test_tolerances_may_be_changed(tmp_path, score):
    after = copy.deepcopy(score)
    after["score"]["all"]["top1"]["value"] += 0.01
    a, b = written(tmp_path, "a.json", score), written(tmp_path, "b.json", after)
    table = tmp_path / "t.toml"
    table.write_text("[tolerance]\ntop1 = 0.02\n")
    assert len(compare_results(a, b).moved) == 1
    assert compare_results(a, b, tolerance=read_tolerance(table)).moved == ()
    for text, message in (
        ("[tolerance]\ntop2 = 1\n", "no such measure"),
        ("[tolerance]\ntop1 = -1\n", "give 0 or more"),
        ('[tolerance]\ntop1 = "x"\n', "tolerance"),
    ):
        table.write_text(text)
        with pytest.raises(PlanError) as raised:
            read_tolerance(table)
        assert message in str(raised.value) or "top1" in str(raised.value)


@pytest.mark.parametrize(
    "text", ["", "[]", '{"schema": "other"}', '{"schema": "nearkey-score", "version": 2}']
)
def test_other_files_are_refused(tmp_path, score, text):
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(PlanError) as raised:
        compare_results(written(tmp_path, "a.json", score), path)
    assert "x.json" in str(raised.value)
