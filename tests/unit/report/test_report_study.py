"""The report of a study: what stands on the page, in the pictures and in the tidy tables."""

from __future__ import annotations

import csv
import html
import json
import re
from dataclasses import replace

import pytest
from invented_studies import PHRASES, invented_study

from nearkey.errors import NearkeyError, StudyLogError
from nearkey.layout import Layout
from nearkey.study import measures, workload_answer
from nearkey.study.prediction_gap import prediction_gaps, read_predictions
from nearkey.study.rates import Rates

pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")
pytest.importorskip("scipy")

from nearkey.report.study_page import study_report
from nearkey.report.study_pictures import (
    MEASURE_NAMES,
    plot_condition_means,
    plot_learning,
    plot_predictions,
    plot_touch_maps,
)
from nearkey.study import METRICS


@pytest.fixture(scope="module")
def logs():
    return invented_study(people=4, blocks=2)


@pytest.fixture(scope="module")
def small():
    return invented_study(people=1, conditions=("grid",), blocks=1, touches=False)


@pytest.fixture(scope="module")
def ranking(tmp_path_factory):
    rows = [
        {
            "layout": "grid",
            "place": 1,
            "top1": [0.8, 0.7, 0.9],
            "kspc": {"value": 1.1},
            "wpm": 30.0,
        },
        {
            "layout": "rows",
            "place": 2,
            "top1": [0.7, 0.6, 0.8],
            "kspc": {"value": 1.2},
            "wpm": 25.0,
        },
    ]
    path = tmp_path_factory.mktemp("ranking") / "ranking.json"
    path.write_text(json.dumps({"schema": "nearkey-ranking", "rows": rows}))
    return path


@pytest.fixture(scope="module")
def report(logs, ranking, tmp_path_factory):
    ratings = dict.fromkeys(
        ("mental", "physical", "temporal", "performance", "effort", "frustration"), 40.0
    )
    answers = [
        workload_answer({"participant": f"p{i}", "condition": c, **ratings})
        for i in (1, 2, 3)
        for c in ("grid", "rows")
    ]
    return study_report(
        logs,
        tmp_path_factory.mktemp("report"),
        predictions=read_predictions(ranking),
        workload=answers,
        title="An invented study <of pads>",
    )


def test_the_page_stands_alone_and_says_what_the_logs_are(report):
    page = report.page.read_text("utf-8")
    assert "<title>An invented study &lt;of pads&gt;</title>" in page
    assert "not all typed by people: origin invented" in page
    assert not re.findall(r'(?:src|href)="(?!data:|#)', page)
    for id_ in ("conditions", "learning", "models", "lists", "predictions", "workload", "touches"):
        assert f'<h2 id="{id_}">' in page
    for alt in re.findall(r'<img[^>]*alt="([^"]*)"', page):
        assert len(alt) > 20
    assert "None" not in page
    assert ">nan<" not in page
    for picture in report.pictures:
        assert picture.read_bytes().startswith(b"\x89PNG")
    assert len(report.pictures) == 7


def test_figures_of_the_page_are_those_of_the_measures(report, logs):
    page = report.page.read_text("utf-8")
    measured = measures(logs)
    for one in measured.conditions:
        for name in METRICS:
            assert f"<td>{one.estimates[name]}</td>" in page, name
    assert set(MEASURE_NAMES) == set(METRICS)
    # Few people: what Wilcoxon's test cannot reach is said.
    assert "the smallest p of Wilcoxon" in page


def test_tidy_tables_hold_one_row_an_observation_and_no_texts(report, logs):
    folder = report.page.parent / "tables"
    measured = measures(logs)
    with (folder / "phrases.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(measured.phrases)
    assert "presented" not in rows[0]
    assert [float(row["wpm"]) for row in rows] == pytest.approx([p.wpm for p in measured.phrases])
    assert {row["place"] for row in rows} == {"1", "2"}
    text = "".join(path.read_text() for path in folder.glob("*.csv"))
    assert not any(phrase in text for phrase in PHRASES)
    taps = sum(len(p.counts.ranks) > 0 for p in measured.participants)
    with (folder / "candidates.csv").open() as file:
        words = sum(int(row["words"]) for row in csv.DictReader(file))
    assert taps == len(measured.participants)
    assert words == sum(sum(p.counts.ranks.values()) for p in measured.participants)
    parquet = pytest.importorskip("pyarrow.parquet")
    for path in folder.glob("*.csv"):
        table = parquet.read_table(path.with_suffix(".parquet"))
        with path.open() as file:
            assert table.num_rows == len(list(csv.DictReader(file)))
        assert table.column_names == path.read_text().splitlines()[0].split(",")


def test_texts_are_kept_on_request(small, tmp_path):
    made = study_report(small, tmp_path, texts=True)
    assert any(PHRASES[0] in path.read_text() for path in made.tables if path.suffix == ".csv")


def test_predictions_beside_people(logs, ranking):
    # By hand: the share of words taken from the first place, averaged over persons, less the ranking's .8.
    measured = measures(logs)
    gaps = prediction_gaps(measured, read_predictions(ranking))
    row = next(r for r in gaps.rows if (r.condition, r.measure) == ("grid", "top1"))
    people = [p for p in measured.participants if p.condition == "grid"]
    mean = sum(p.first_candidate_share for p in people) / len(people)
    assert row.measured.value == pytest.approx(mean)
    assert row.gap.value == pytest.approx(mean - 0.8)
    assert row.gap.high - row.gap.low == pytest.approx(row.measured.high - row.measured.low)
    wpm = {r.condition: r.measured.value for r in gaps.rows if r.measure == "wpm"}
    assert gaps.same_order["wpm"] == (int(wpm["grid"] > wpm["rows"]), 1)
    assert "in the predicted order" in str(gaps)
    # No share of words is above 1, and a tie of the ranking is no order.
    shares = [r.measured for r in gaps.rows if r.measure.startswith("top")]
    assert all(0 <= one.low <= one.high <= 1 for one in shares)
    tied = [replace(one, figures={"kspc": 1.1}) for one in read_predictions(ranking)]
    assert prediction_gaps(measured, tied).same_order == {}
    only = prediction_gaps(measured, read_predictions(ranking)[:1])
    assert only.missing == ("rows",)
    with pytest.raises(StudyLogError, match="has no layout of this study"):
        prediction_gaps(measured, read_predictions(ranking), layouts={"grid": "a", "rows": "b"})


@pytest.mark.parametrize("content", ["[]", "{}", '[{"layout": 3}]', '[{"layout": "grid"}]'])
def test_what_is_no_ranking_is_refused(content, tmp_path):
    path = tmp_path / "ranking.json"
    path.write_text(content)
    with pytest.raises(StudyLogError, match="ranking"):
        read_predictions(path)


def test_curves_draw_each_person_thin_and_the_mean_thick(logs):
    figure = plot_learning(measures(logs), "wpm")
    for axes in figure.axes:
        widths = [line.get_linewidth() for line in axes.lines]
        assert (widths.count(0.7), len(widths)) == (4, 5)
        assert max(widths) > 2
        assert len(axes.collections) == 1  # the band
    assert [a.get_title(loc="left").split()[0] for a in figure.axes] == ["grid", "rows"]


def test_conditions_show_a_line_for_every_person(logs):
    axes = plot_condition_means(measures(logs), ("wpm",)).axes[0]
    assert sum(line.get_linewidth() == 0.7 for line in axes.lines) == 4


def test_touch_maps_are_by_person_and_block(logs):
    figure = plot_touch_maps(logs, "grid", Layout.named("qwerty"))
    assert len(figure.axes) == 4 * 2
    drawn = sum(len(line.get_xdata()) for line in figure.axes[0].lines)
    own = [log for log in logs if (log.header.participant, log.header.condition) == ("p1", "grid")]
    taps = [e for log in own for t in log.trials() if t.block == 1 for e in t.actions]
    assert drawn == sum(getattr(e, "x", None) is not None for e in taps)
    with pytest.raises(StudyLogError, match="no touches of ring"):
        plot_touch_maps(logs, "ring")


def test_predictions_picture_has_a_panel_for_each_measure(logs, ranking):
    figure = plot_predictions(prediction_gaps(measures(logs), read_predictions(ranking)))
    assert len(figure.axes) == 3


def test_a_study_of_one_condition_and_one_person_is_reported_too(small, tmp_path):
    page = study_report(small, tmp_path).page.read_text("utf-8")
    assert "No mixed-effects model" in page
    assert 'id="touches"' not in page


def test_what_cannot_be_reported_is_refused_before_anything_is_written(logs, small, tmp_path):
    with pytest.raises(StudyLogError, match="metric: is 'speed'"):
        study_report(logs, tmp_path / "a", metrics=("speed",))
    with pytest.raises(StudyLogError, match="no finished phrase"):
        study_report([], tmp_path / "a")
    assert not (tmp_path / "a").exists()
    (tmp_path / "file").write_text("")
    with pytest.raises(NearkeyError, match="folder: cannot be written"):
        study_report(small, tmp_path / "file")


def test_a_measure_that_never_differs_has_no_model_and_the_others_have(logs, tmp_path, monkeypatch):
    monkeypatch.setattr(Rates, "total_error_percent", property(lambda self: 0.0))
    page = study_report(logs, tmp_path).page.read_text("utf-8")
    text = html.unescape(page).replace("\N{NO-BREAK SPACE}", " ")  # before a per-cent sign
    name = re.escape(MEASURE_NAMES["total_error_percent"])
    why = "total_error_percent is the same in every phrase"
    assert re.search(f"No mixed-effects model of {name}: {why}\\.", text)
    assert f"Mixed-effects model: {MEASURE_NAMES['wpm']}" in page
