"""The picture of touch models compared: what is drawn is what the table says."""

from __future__ import annotations

import pytest

from nearkey.report import plot_touch_comparison
from nearkey.report.style import ACCENT, INK
from nearkey.touch.model_comparison import FoldScore, summarise

# Invented scores of three people: log likelihood, hits, touches inside the ellipse, words right, of 100 and 50.
SCORES = {
    "far off": [(-900, 30, 20, 10), (-920, 32, 24, 12), (-880, 28, 22, 11)],
    "good": [(-300, 60, 94, 40), (-310, 64, 96, 42), (-305, 62, 95, 41)],
    "better": [(-280, 61, 96, 41), (-286, 66, 97, 45), (-283, 63, 92, 42)],
}


def comparison(*, words: bool = True, baseline: str | None = None):
    folds = [
        FoldScore(
            name, f"p{i}", 100, float(ll), hits, inside, right if words else 0, 50 if words else 0
        )
        for name, people in SCORES.items()
        for i, (ll, hits, inside, right) in enumerate(people)
    ]
    return summarise(folds, scheme="Leave one person out, 3 people", baseline=baseline)


def dots(axes):
    """Row -> x of the dots of a panel."""
    found = {}
    for line in axes.lines:
        if line.get_marker() == "o":
            (x,), (y,) = line.get_xdata(), line.get_ydata()
            found[int(y)] = (float(x), line.get_color())
    return found


@pytest.mark.parametrize("words", [True, False])
def test_dots_lie_at_the_tables_values_best_first(words):
    found = comparison(words=words, baseline="good")
    figure = plot_touch_comparison(found)
    panels = figure.axes
    assert [a.get_title(loc="left") for a in panels] == [
        "likelihood", "likeliest key", *(["words"] if words else []), "95 % ellipse"
    ]  # fmt: skip
    names = [label.get_text() for label in panels[0].get_yticklabels()]
    assert names == ["better", "good (baseline)", "far off"]
    rows = {row.model: row for row in found.rows}
    order = [rows["better"], rows["good"], rows["far off"]]
    for axes, of in zip(
        panels,
        [
            lambda r: r.gain,
            lambda r: 100 * r.key_hit,
            *([lambda r: 100 * r.top1] if words else []),
            lambda r: 100 * r.inside_95,
        ],
        strict=True,
    ):
        shown = dots(axes)
        assert shown[0] == (pytest.approx(of(order[0])), ACCENT)
        assert shown[1] == (pytest.approx(of(order[1])), INK)
        # What lies far off is written at the edge, and does not stretch the axis.
        assert 2 not in shown
        (text,) = axes.texts
        assert text.get_text() == f"← {of(order[2]):.3g}".replace("-", "\N{MINUS SIGN}")
        low, high = axes.get_xlim()
        assert low <= shown[0][0] <= high
    assert "3 people" in figure.get_supxlabel()


def test_intervals_are_those_of_the_table():
    found = comparison()
    axes = plot_touch_comparison(found).axes[-1]
    row = next(r for r in found.rows if r.model == "better")
    lines = [line for line in axes.lines if line.get_ydata()[0] == 0 and len(line.get_xdata()) == 2]
    (ends,) = [sorted(line.get_xdata()) for line in lines if line.get_linestyle() == "-"]
    assert ends == pytest.approx(
        [
            100 * (row.inside_95 - row.inside_95_half),
            min(100 * (row.inside_95 + row.inside_95_half), 100),
        ]
    )
    dashed = [line for line in axes.lines if line.get_linestyle() == "--"]
    assert [line.get_xdata()[0] for line in dashed] == [95.0]


def test_two_models_and_one_fold_can_be_drawn(tmp_path):
    folds = [
        FoldScore("a", "block 1", 10, -30.0, 5, 9, 0, 0),
        FoldScore("b", "block 1", 10, -20.0, 6, 10, 0, 0),
    ]
    figure = plot_touch_comparison(summarise(folds, scheme="One person only"))
    assert dots(figure.axes[0])[0][0] == pytest.approx(1.0)
    figure.savefig(tmp_path / "two.png")
    assert (tmp_path / "two.png").stat().st_size > 5000


def test_no_share_is_drawn_beyond_100_per_cent():
    folds = [
        FoldScore(name, f"p{i}", 100, -300.0, 90, inside, 0, 0)
        for name in ("a", "b")
        for i, inside in enumerate((100, 99, 80))
    ]
    found = summarise(folds, scheme="Leave one person out, 3 people")
    assert found.rows[0].inside_95 + found.rows[0].inside_95_half > 1  # a t interval may
    axes = plot_touch_comparison(found).axes[-1]
    assert max(max(line.get_xdata()) for line in axes.lines) == 100
