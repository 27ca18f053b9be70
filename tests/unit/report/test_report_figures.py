"""The pictures, checked by what they hold: positions, interval ends, ellipses, labels."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from report_doubles import grids, pad, small_ranking

import nearkey as nk
from nearkey.errors import NearkeyError, TouchDataError
from nearkey.report import (
    draw_touches,
    plot_accuracy,
    plot_collisions,
    plot_differences,
    plot_ellipses,
    plot_layout,
    plot_people,
    plot_tradeoff,
    save_figure,
    shape_of,
)
from nearkey.report.plots import place_labels
from nearkey.report.style import text_for_plot
from nearkey.touch import concat


def _touches(layout: nk.Layout, n: int, *, seed: int = 0, participant: str = "a") -> nk.TouchLog:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, len(layout.keys), n)
    points = layout.centers[keys] + rng.normal(0, 1.0 / layout.unit_mm, (n, 2))
    return nk.TouchLog.from_points(
        points, [layout.key_ids[k] for k in keys], participant=participant
    )


def _drawn_dots(axes) -> np.ndarray:
    lines = [line for line in axes.get_lines() if line.get_marker() == "o"]
    return np.concatenate([np.column_stack(line.get_data()) for line in lines])


def test_touches_are_drawn_in_millimetres_on_a_surface_whose_y_grows_downwards():
    layout = nk.Layout.named("qwerty")  # 6 mm a unit
    log = _touches(layout, 200)
    axes = draw_touches(log, layout).axes[0]
    expected = log.points * layout.unit_mm
    drawn = _drawn_dots(axes)
    assert drawn[np.lexsort(drawn.T)] == pytest.approx(expected[np.lexsort(expected.T)])
    low, high = axes.get_ylim()
    assert low > high
    assert "200 touches" in axes.get_xlabel()


def test_a_log_in_millimetres_lands_where_the_same_log_in_units_does():
    layout = nk.Layout.named("qwerty")
    log = _touches(layout, 50)
    in_mm = log.with_points(log.points * layout.unit_mm, unit="mm")
    one, other = (_drawn_dots(draw_touches(a, layout).axes[0]) for a in (log, in_mm))
    assert one == pytest.approx(other)


@pytest.mark.reference
def test_the_drawn_ellipse_is_the_95_per_cent_contour_of_scipys_chi_square():
    # Source: scipy.stats.chi2 and the Mahalanobis distance of scipy.spatial.
    stats = pytest.importorskip("scipy.stats")
    distance = pytest.importorskip("scipy.spatial.distance")
    layout = grids(2, 3, 1)[0]
    log = _touches(layout, 600, seed=2)
    model = nk.GaussianTouch(shrinkage=0.0).fit(log, layout)
    axes = draw_touches(log, layout, model).axes[0]
    patches = [p for p in axes.patches if type(p).__name__ == "Ellipse"]
    assert len(patches) == len(layout.keys)
    rng = np.random.default_rng(3)
    for k, patch in enumerate(patches):
        points = rng.multivariate_normal(model.means_[k], model.covariances_[k], 400)
        inverse = np.linalg.inv(model.covariances_[k])
        squared = [distance.mahalanobis(p, model.means_[k], inverse) ** 2 for p in points]
        expected = np.array(squared) <= stats.chi2.ppf(0.95, 2)
        # A thousandfold, since matplotlib flattens arcs to a grid of its own, meant for pixels.
        path = patch.get_patch_transform().transform_path(patch.get_path())
        inside = type(path)(1000 * path.vertices, path.codes).contains_points(1000 * points)
        near = np.abs(np.array(squared) / stats.chi2.ppf(0.95, 2) - 1) < 0.002
        assert (inside == expected)[~near].all()


def test_ellipses_of_a_model_that_states_no_moments_come_from_its_draws():
    layout = grids(2, 3, 1)[0]
    stated = nk.GaussianTouch.from_layout(layout, spread_mm=1.5)

    class OnlyDraws:
        key_ids = stated.key_ids
        sample = staticmethod(stated.sample)

    found = plot_ellipses(layout, OnlyDraws()).axes[0]
    sizes = [(p.width, p.height) for p in found.patches if type(p).__name__ == "Ellipse"]
    wanted = 2 * 1.5 * np.sqrt(-2 * np.log(0.05))
    assert np.array(sizes) == pytest.approx(wanted, rel=0.06)


def test_touches_without_target_are_drawn_too_and_unknown_targets_are_refused():
    layout = grids(2, 3, 1)[0]
    log = nk.TouchLog.from_points([[1.0, 1.0], [2.0, 2.0]], ["r1c1", ""])
    assert len(_drawn_dots(draw_touches(log, layout).axes[0])) == 2
    bad = nk.TouchLog.from_points([[1.0, 1.0]], ["r9c9"])
    with pytest.raises(TouchDataError, match="target"):
        draw_touches(bad, layout)


def test_of_a_very_long_log_a_share_is_drawn_and_the_picture_says_so():
    layout = grids(2, 3, 1)[0]
    axes = draw_touches(_touches(layout, 9000), layout).axes[0]
    assert len(_drawn_dots(axes)) == 4000
    assert "9,000 touches, 4,000 of them drawn" in axes.get_xlabel()


def test_each_person_gets_a_picture_headed_by_count_offset_and_spread():
    layout = grids(2, 3, 1)[0]
    # Worked by hand: on one key, offsets (1, 0) and (3, 2): mean (2, 1), SD sqrt(2) on both axes.
    centre = layout.centers[0]
    a = nk.TouchLog.from_points(
        centre + np.array([[1.0, 0.0], [3.0, 2.0]]), ["r1c1"] * 2, participant="a"
    )
    b = nk.TouchLog.from_points(
        centre + np.array([[-1.0, 0.0], [-1.0, -2.0]]), ["r1c1"] * 2, participant="b"
    )
    figure = plot_people(concat([a, b]), layout)
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.get_visible()]
    assert titles == [
        "a  n = 2\noffset +2.0, +1.0   SD 1.4, 1.4",
        "b  n = 2\noffset \N{MINUS SIGN}1.0, \N{MINUS SIGN}1.0   SD 0.0, 1.4",
    ]


def test_of_many_people_those_with_the_most_touches_are_shown_and_the_picture_says_so():
    layout = grids(2, 3, 1)[0]
    logs = [_touches(layout, 20 + i, seed=i, participant=f"p{i}") for i in range(5)]
    figure = plot_people(concat(logs), layout, limit=3)
    shown = [a.get_title(loc="left").split()[0] for a in figure.axes if a.get_visible()]
    assert shown == ["p2", "p3", "p4"]
    assert "3 of 5 people" in figure.get_supxlabel()


def test_people_cannot_be_drawn_from_a_log_without_targets():
    log = nk.TouchLog.from_points([[1.0, 1.0]], [""])
    with pytest.raises(TouchDataError, match="target"):
        plot_people(log, grids(2, 3, 1)[0])


@pytest.mark.reference
def test_interval_ends_are_scipys_wilson_intervals():
    # Source: scipy.stats.binomtest(...).proportion_ci(method="wilson").
    stats = pytest.importorskip("scipy.stats")
    result = small_ranking()
    figure = plot_accuracy(result)
    for axes, k in zip(figure.axes, (1, 3, 5), strict=True):
        spans = [
            line.get_xdata()
            for line in axes.get_lines()
            if line.get_marker() == "None" and len(set(line.get_ydata())) == 1
        ]
        assert len(spans) == len(result.rows)
        for row, span in zip(result.rows, spans, strict=True):
            rank = result.scored[row.layout].outcomes.rank
            hits = int(((rank >= 1) & (rank <= k)).sum())
            wilson = stats.binomtest(hits, len(rank)).proportion_ci(method="wilson")
            assert span == pytest.approx([100 * wilson.low, 100 * wilson.high], abs=1e-6)


def test_rows_of_a_plot_bear_place_and_name_and_the_baseline_is_always_among_them():
    result = small_ranking()
    labels = [t.get_text() for t in plot_accuracy(result, limit=1).axes[0].get_yticklabels()]
    assert labels[0] == f"1  {result.rows[0].layout}"
    assert labels[-1].endswith("qwerty (baseline)")
    assert len(labels) == (1 if result.rows[0].layout == "qwerty" else 2)


def test_differences_are_those_of_the_words_both_layouts_typed():
    result = small_ranking()
    figure = plot_differences(result, measures=("top3",))
    dots = [
        float(line.get_xdata()[0])
        for line in figure.axes[0].get_lines()
        if line.get_marker() == "o"
    ]
    base = result.scored["qwerty"].outcomes.rank
    names = [row.layout for row in result.rows if row.layout != "qwerty"]
    expected = [
        100
        * np.mean(
            [
                int(1 <= a <= 3) - int(1 <= b <= 3)
                for a, b in zip(result.scored[name].outcomes.rank, base, strict=True)
            ]
        )
        for name in names
    ]
    assert dots == pytest.approx(expected)


def test_differences_need_a_baseline_and_something_to_compare():
    with pytest.raises(NearkeyError, match="baseline"):
        plot_differences(small_ranking(baseline=False))


def test_the_front_holds_what_no_layout_beats():
    result = small_ranking()
    axes = plot_tradeoff(result).axes[0]
    front = next(line for line in axes.get_lines() if line.get_label() == "Pareto front")
    points = [(100 * row.top3.value, row.kspc.value) for row in result.rows]
    best = [
        (x, y)
        for x, y in points
        if not any(a >= x and b <= y and (a > x or b < y) for a, b in points)
    ]
    assert np.column_stack(front.get_data()) == pytest.approx(np.array(sorted(best)))


def test_collisions_stand_at_the_exact_share_of_perfect_touches():
    result = small_ranking()
    axes = plot_collisions(result).axes[0]
    across = np.concatenate(
        [line.get_xdata() for line in axes.get_lines() if line.get_label() in ("26 keys", "2 x 3")]
    )
    # On 26 keys no two words of this pack share their keys, so nothing is lost to collisions.
    assert across.max() == pytest.approx(100.0)
    assert across.min() < 100.0


@pytest.mark.parametrize(
    ("layout", "shape"),
    [
        (grids(1, 5, 1)[0], "1 x 5"),
        (grids(3, 2, 1)[0], "3 x 2"),
        (pad(), "26 keys"),
        (nk.Layout.named("e161"), "8 keys"),
    ],
)
def test_shapes_are_read_off_the_keys(layout, shape):
    assert shape_of(layout) == shape


def test_a_shape_does_not_depend_on_size_or_unit():
    grid = grids(2, 3, 1)[0]
    assert shape_of(grid.scaled(0.1)) == shape_of(grid.fitted(70, 3)) == "2 x 3"


def test_names_that_look_like_mathematics_or_go_on_for_ever_are_drawn_as_they_are():
    layout = grids(2, 3, 1)[0].renamed("$\\frac{$ " + "very " * 40)
    figure = draw_touches(_touches(layout, 10), layout)
    figure.draw_without_rendering()
    shown = figure.axes[0].get_title(loc="left")
    assert shown.startswith("\\$\\frac{\\$ very")
    assert len(shown) < 70
    assert text_for_plot("a\x00b") == "a\N{REPLACEMENT CHARACTER}b"


def test_figures_leave_no_trace_in_matplotlibs_settings_or_windows():
    # Asking for the setting "backend" would itself load pyplot.
    code = """
import sys, matplotlib
import nearkey as nk
from nearkey.report import plot_ellipses
rc = matplotlib.rcParams
before = {name: rc[name] for name in rc if name != "backend"}
layout = nk.Layout.named("qwerty")
plot_ellipses(layout, nk.GaussianTouch.from_layout(layout, spread_mm=2.0))
assert {name: rc[name] for name in rc if name != "backend"} == before
assert "matplotlib.pyplot" not in sys.modules
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_without_matplotlib_the_error_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    layout = pad()
    model = nk.GaussianTouch.from_layout(layout, spread_mm=2.0)
    with pytest.raises(NearkeyError, match=r"pip install 'nearkey\[report\]'"):
        plot_ellipses(layout, model)


def test_what_is_written_below_people_lies_within_the_picture_and_every_column_has_its_scale():
    layout = grids(2, 3, 1)[0]
    for people, columns in ((1, 4), (3, 4), (5, 4)):
        logs = [_touches(layout, 30, seed=i, participant=f"p{i}") for i in range(people)]
        figure = plot_people(concat(logs), layout, columns=columns)
        figure.draw_without_rendering()
        written = figure._supxlabel.get_window_extent()
        assert 0 <= written.x0 < written.x1 <= figure.bbox.width
        assert "All in mm" in figure.get_supxlabel().replace("\n", " ")
        shown = [axes for axes in figure.axes if axes.get_visible()]
        for axes in shown[-min(columns, people) :]:
            assert any(label.get_text() and label.get_visible() for label in axes.get_xticklabels())


def test_labels_keep_clear_of_the_ring_around_the_baseline():
    # 7 points: the radius of the ring (12 points across) and of its line.
    from matplotlib.figure import Figure

    figure = Figure(dpi=72)
    axes = figure.subplots()
    x, y = np.array([0.0, 0.02, 1.0]), np.array([0.0, 0.0, 1.0])
    axes.plot(x, y, "o")
    place_labels(axes, x, y, {0: "1", 1: "2"}, ringed=[0])
    ring = axes.transData.transform((0.0, 0.0))
    for text in axes.texts:
        centre = axes.transData.transform(text.xy) + text.get_position()
        half = np.array([2.6, 4.0])
        nearest = np.clip(ring, centre - half, centre + half)
        assert np.hypot(*(nearest - ring)) >= 7.0


def test_a_picture_is_drawn_on_the_axes_it_is_given():
    pyplot = pytest.importorskip("matplotlib.pyplot")
    layout = nk.Layout.named("qwerty")
    model = nk.GaussianTouch.from_layout(layout, spread=0.3)
    figure, (left, right) = pyplot.subplots(1, 2, figsize=(8, 3))
    try:
        drawn = plot_ellipses(layout, model, axes=left)
        assert drawn is left
        assert len(left.patches) == len(plot_ellipses(layout, model).axes[0].patches)
        # Several panels stand in the place of the Axes given.
        panels = plot_accuracy(small_ranking(), axes=right)
        assert [panel.get_title("left") for panel in panels] == ["top-1", "top-3", "top-5"]
        assert right not in figure.axes
        assert all(panel.get_figure(root=True) is figure for panel in panels)
        free = figure.add_axes((0, 0, 1, 1))
        with pytest.raises(NearkeyError, match="give Axes that subplots\\(\\) made"):
            plot_accuracy(small_ranking(), axes=free)
    finally:
        pyplot.close(figure)


def test_what_a_user_set_in_matplotlib_goes_before_our_look(tmp_path):
    matplotlib = pytest.importorskip("matplotlib")
    layout = nk.Layout.named("qwerty")
    ours = plot_layout(layout).axes[0].xaxis.label.get_size()
    with matplotlib.rc_context({"font.size": 17.0, "axes.labelcolor": "#ff0000"}):
        label = plot_layout(layout).axes[0].xaxis.label
        assert (ours, label.get_size(), label.get_color()) == (9.0, 17.0, "#ff0000")
        save_figure(plot_layout(layout).axes[0], tmp_path / "pad.pdf")
    assert (tmp_path / "pad.pdf").read_bytes().startswith(b"%PDF")
