"""Pictures of scores show the figures they are given. Own rules, no outside source."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from nearkey.report import benchmark_figures
from nearkey.report.benchmark_figures import (
    plot_accuracy_by_noise,
    plot_keystrokes_by_keys,
    plot_ranks,
    plot_reliability,
)
from nearkey.report.style import save_figure
from nearkey.simulate.calibration import calibrate


def estimate(value):
    return {"value": value, "low": value - 0.02, "high": value + 0.02}


def test_accuracy_lines_are_the_figures_in_per_cent():
    names = [f"decoder {i}" for i in range(8)]
    series = {"26 keys": {name: [(0.6, estimate(0.9)), (1.0, estimate(0.5))] for name in names}}
    figure = plot_accuracy_by_noise(series)
    (axes,) = figure.axes
    lines = [c.lines[0] for c in axes.containers]
    assert lines[0].get_xydata().tolist() == [[0.6, 90.0], [1.0, 50.0]]
    looks = {(one.get_color(), one.get_linestyle()) for one in lines}
    assert len(looks) == 8, "two decoders look the same"


def test_reliability_points_are_the_bins():
    rng = np.random.default_rng(0)
    confidence = rng.random(2000)
    found = calibrate(confidence, rng.random(2000) < confidence, bins=10).to_dict()
    figure = plot_reliability({"all": found, "half": found})
    above = figure.axes[0]
    points = above.containers[0].lines[0].get_xydata()
    assert points[:, 0].tolist() == [b["confidence"] for b in found["bins"]]
    assert points[:, 1].tolist() == [b["accuracy"]["value"] for b in found["bins"]]
    assert [bar.get_height() for bar in figure.axes[2].patches] == [
        b["words"] for b in found["bins"]
    ]
    figure.draw_without_rendering()
    heights = [
        label.get_window_extent()
        for label in figure.axes[2].get_yticklabels(which="both")
        if label.get_text()
    ]
    assert not any(a.overlaps(b) for a, b in itertools.pairwise(heights))


def test_rank_lines_add_up_to_the_words_listed():
    figure = plot_ranks({"x": {"ranks": [6, 2, 1], "missed": 1}})
    (line,) = figure.axes[0].lines
    assert line.get_ydata().tolist() == [60.0, 80.0, 90.0]


def test_eight_decoders_look_different():
    figure = plot_ranks({f"decoder {i}": {"ranks": [6, i], "missed": 1} for i in range(8)})
    looks = {
        (line.get_color(), line.get_linestyle(), line.get_markerfacecolor())
        for line in figure.axes[0].lines
    }
    assert len(looks) == 8


def test_decoders_are_drawn_over_the_words_that_all_of_them_had(tmp_path, monkeypatch):
    own = {"decoder": "ours", "ranks": [1500], "missed": 500}
    own |= {"calibration": None, "calibration_known": None}
    compared = {"ours": {"ranks": [8], "missed": 2}, "other": {"ranks": [5], "missed": 5}}

    class Result:
        layout = "pad"

        def __init__(self, compared):
            self.compared = compared

        def to_dict(self):
            return {"score": own, "compared": self.compared}

    drawn = []
    monkeypatch.setattr(benchmark_figures, "plot_ranks", lambda lists: drawn.append(lists))
    monkeypatch.setattr(benchmark_figures, "save_figure", lambda figure, path: None)
    benchmark_figures.save_score_figures(Result(compared), tmp_path)
    benchmark_figures.save_score_figures(Result({}), tmp_path)
    assert drawn == [compared, {"ours": own}]


def test_keystrokes_stand_in_the_order_of_keys():
    points = [
        {"layout": name, "keys": keys, "static": 1.0, "multi_tap": 2.0, "noisy": estimate(kspc)}
        for name, keys, kspc in (("q", 26, 1.03), ("g", 6, 1.2))
    ]
    figure = plot_keystrokes_by_keys(points)
    noisy = figure.axes[1].containers[0].lines[0]
    assert noisy.get_ydata().tolist() == [1.2, 1.03]
    assert [t.get_text() for t in figure.axes[0].get_xticklabels()] == ["g\n6 keys", "q\n26 keys"]


def test_the_same_figures_give_the_same_bytes(tmp_path):
    pytest.importorskip("matplotlib")
    for name in ("a.svg", "b.svg"):
        save_figure(plot_ranks({"x": {"ranks": [6, 2, 1], "missed": 1}}), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
