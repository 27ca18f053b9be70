"""Results and logs as tables of other libraries, short when printed, a table in notebooks."""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil
import re

import numpy as np
import pytest
from invented_studies import invented_study
from invented_touches import invented_log

import nearkey as nk
from nearkey.errors import NearkeyError, TouchDataError
from nearkey.frames import Tabular
from nearkey.saved_results import load_result
from nearkey.simulate.layout_score import LayoutScore
from nearkey.study import (
    StudyTruth,
    compare_conditions,
    condition_by_block,
    condition_orders,
    learning_curve,
    measures,
    order_checks,
    plan_study,
    study_power,
)
from nearkey.touch import GaussianTouch, PooledTouch, TouchLog

PAD = nk.Layout.named("qwerty").fitted(18, 12)
LOG = invented_log(PAD, people=3)


def test_results_become_frames_and_arrow_tables():
    pytest.importorskip("pandas")
    comparison = nk.compare_touch(LOG, PAD, {"Gaussian": GaussianTouch(), "pooled": PooledTouch()})
    frame = comparison.to_frame()
    assert frame["model"].tolist() == ["Gaussian", "pooled"]
    np.testing.assert_array_equal(frame["gain"], [r.gain for r in comparison.rows])
    assert comparison.to_arrow().column("model").to_pylist() == ["Gaussian", "pooled"]
    assert comparison._repr_html_().startswith("<table>")
    assert len(repr(comparison)) < 200


def test_a_ranking_is_short_in_print_and_flat_in_a_frame(english):
    pytest.importorskip("pandas")
    pack = english
    grids = list(nk.grid_layouts(PAD, rows=2, columns=3, limit=2))
    result = nk.rank_layouts(
        grids,
        touch=lambda one: GaussianTouch.from_layout(one, spread_mm=2.0),
        pack=pack,
        words=50,
        seed=1,
    )
    assert len(repr(result)) < 200
    frame = result.to_frame()
    assert frame["layout"].tolist() == [row.layout for row in result.rows]
    assert frame["top1.low"].tolist() == pytest.approx([row.top1.low for row in result.rows])
    assert result.to_arrow().num_rows == 2
    score = nk.score_layout(
        PAD, touch=GaussianTouch.from_layout(PAD, spread_mm=1.0), pack=pack, words=50
    )
    assert len(repr(score)) < 200


def test_logs_go_to_frames_and_come_from_tables():
    pandas, polars, arrow = (pytest.importorskip(n) for n in ("pandas", "polars", "pyarrow"))
    assert len(repr(LOG)) < 200
    columns = {name: column.tolist() for name, column in LOG.columns().items()}
    for table in (
        LOG.to_frame(),
        pandas.DataFrame(columns),
        polars.DataFrame(columns),
        arrow.table(columns),
        pytest.importorskip("datasets").Dataset.from_dict(columns),
    ):
        assert TouchLog.from_table(table, unit="mm") == LOG
    with pytest.raises(
        TouchDataError, match="a list is no table; give a DataFrame, a Table or a Dataset"
    ):
        TouchLog.from_table([1, 2])
    with pytest.raises(TouchDataError, match="columns are missing"):
        TouchLog.from_table(pandas.DataFrame({"x": [1.0], "y": [2.0]}))
    raw = polars.DataFrame({"px": [10.0, None, 30.0], "py": [5.0, 6.0, 7.0]})
    read = TouchLog.from_table(
        raw, columns={"x": "px", "y": "py"}, unit="px", dpi=254, missing="drop"
    )
    assert (read.n_missing, read.unit) == (1, "mm")
    np.testing.assert_allclose(read.x, [1.0, 3.0])
    report = nk.clean(LOG, PAD)[1]
    assert report.to_frame()["touches"].sum() == len(LOG)


def test_every_result_of_a_study_is_a_frame_and_short_in_print():
    pytest.importorskip("pandas")
    logs = invented_study(people=4)
    measured = measures(logs)
    assert len(measured.to_frame("phrase")) == len(measured.phrases) == 4 * 2 * 8
    assert measured.to_frame()["participant"].tolist() == [
        row.participant for row in measured.participants
    ]
    found = [
        measured,
        measured.confusion(),
        learning_curve(measured, condition="grid"),
        compare_conditions(measured),
        order_checks(measured, orders=condition_orders(logs)),
        condition_by_block(measured),
    ]
    for result in found:
        assert len(repr(result)) < 100
        assert len(result.to_frame()) == len(result.to_dicts()) > 0
        assert result._repr_html_().startswith("<table>")


def test_plans_and_power_are_frames_and_short_in_print():
    pytest.importorskip("pandas")
    lines = [f"the level at peg {name}" for name in ("one", "two", "three", "four", "five", "six")]
    plan = plan_study(
        ["p1", "p2"], ["a", "b"], lines, seed=1, blocks=1, phrases_per_block=2, practice_phrases=1
    )
    frame = plan.to_frame()
    assert len(frame) == 2 * 2 * 3
    assert frame["phrase"].tolist() == [text for block in plan.blocks for text in block.phrases]
    truth = StudyTruth(mean=12, sd_participant=2, sd_condition=0.8, sd_phrase=0, sd_residual=2)
    power = study_power(truth, difference=2, participants=(4, 6), simulations=20)
    assert power.to_frame()["participants"].tolist() == [4, 6]
    assert power.to_frame()["t.value"].tolist() == [row.t.value for row in power.rows]
    for result in (plan, power):
        assert len(repr(result)) < 100
        assert result._repr_html_().startswith("<table>")
        assert result.to_arrow().num_rows == len(result.to_dicts())


def results() -> list[type]:
    """Every class of ours that says of itself what rows it has."""
    rooms = ("touch", "study", "simulate", "search")
    found = {}
    for room in rooms:
        for info in pkgutil.walk_packages(
            importlib.import_module(f"nearkey.{room}").__path__, f"nearkey.{room}."
        ):
            module = importlib.import_module(info.name)
            for name, one in vars(module).items():
                if (
                    inspect.isclass(one)
                    and one.__module__ == info.name
                    and hasattr(one, "to_dicts")
                ):
                    found[name] = one
    return list(found.values())


def test_whatever_has_rows_has_frames():
    assert len(results()) > 18
    assert [one.__name__ for one in results() if not issubclass(one, Tabular)] == []


def test_what_is_saved_loads_with_its_rows(tmp_path):
    pytest.importorskip("pandas")
    pack = nk.load_pack("en")
    touch = GaussianTouch.from_layout(PAD, spread_mm=1.0)
    score = nk.score_layout(PAD, touch=touch, pack=pack, words=40)
    score.save(tmp_path / "score.json")
    again = LayoutScore.load(tmp_path / "score.json")
    assert again.to_dicts() == score.to_dicts()
    assert again.to_frame()["top1.value"][0] == pytest.approx(score.score.all.top[1].value)
    assert max(map(len, str(again).splitlines())) <= 80
    grids = list(nk.grid_layouts(PAD, rows=2, columns=3, limit=2))
    ranking = nk.rank_layouts(
        grids, touch=lambda one: GaussianTouch.from_layout(one, spread_mm=1), pack=pack, words=40
    )
    ranking.save(tmp_path / "ranking.json")
    assert nk.RankResult.load(tmp_path / "ranking.json").to_dicts() == ranking.to_dicts()
    for name, wrong, says in (
        ("score.json", {"schema": "nearkey-ranking"}, "rows: is damaged"),
        ("score.json", {"version": 7}, "version: is of version 7; use a later nearkey"),
        ("score.json", {"version": 0}, "version: is of version 0; save the result again"),
        ("score.json", {"version": None}, "version: is of version None; save the result again"),
        ("score.json", {"schema": "other"}, "schema: is no saved result"),
    ):
        data = json.loads((tmp_path / name).read_text())
        (tmp_path / "wrong.json").write_text(json.dumps(data | wrong))
        with pytest.raises(NearkeyError, match=re.escape(says)):
            load_result(tmp_path / "wrong.json")
    with pytest.raises(NearkeyError, match="name a file of nearkey-score"):
        LayoutScore.load(tmp_path / "ranking.json")
