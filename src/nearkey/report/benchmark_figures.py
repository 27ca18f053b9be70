"""Pictures of scores: accuracy against noise, reliability, ranks, keystrokes against keys.

Every function takes plain data as `LayoutScore.to_dict()` gives it, so that a picture can be drawn again from
a results file, and returns a matplotlib Figure that belongs to no window.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    new_figure,
    on_axes,
    save_figure,
    shape_looks,
    text_for_plot,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from nearkey.simulate.layout_score import LayoutScore

Estimate = Mapping[str, float]


@on_axes
def plot_accuracy_by_noise(
    series: Mapping[str, Mapping[str, Sequence[tuple[float, Estimate]]]],
) -> Figure:
    """Top-1 accuracy against the spread of touches, a panel a layout and a line a decoder.

    series : panel title -> decoder -> (spread in mm, estimate as value, low, high). Bars are 95 % intervals.
    """
    looks = shape_looks([name for panel in series.values() for name in panel])
    figure = new_figure(3.9 * len(series) + 1.6, 3.6)
    panels = figure.subplots(1, len(series), sharey=True, squeeze=False)[0]
    for axes, (title, panel) in zip(panels, series.items(), strict=True):
        for i, (name, points) in enumerate(panel.items()):
            y, bars = _with_bars([estimate for _, estimate in points], scale=100.0)
            axes.errorbar(
                [spread for spread, _ in points],
                y,
                yerr=bars,
                lw=2.2 if i == 0 else 1.2,
                elinewidth=0.8,
                label=text_for_plot(name),
                **looks[name].line(),
            )
        axes.set_title(text_for_plot(title, 60))
        axes.set_xlabel("spread of touches (SD, mm)")
        axes.set_ylim(0, 100)
        axes.grid(axis="y")
    panels[0].set_ylabel("top-1 accuracy (% of words)")
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside right center")
    return figure


@on_axes
def plot_reliability(calibrations: Mapping[str, Mapping[str, Any]]) -> Figure:
    """Reliability diagrams, one for each named calibration, two in a row.

    calibrations : title -> a calibration as plain data (`bins`, `error`, `by_chance`).

    The share that was right against the mean probability of each bin, with its 95 % interval; the shaded
    steps are where a calibrated decoder's shares would lie by chance. Below, how many words a bin holds.
    """
    columns = min(2, len(calibrations))
    rows = -(-len(calibrations) // columns)
    figure = new_figure(3.4 * columns, 4.3 * rows)
    grid = figure.subplots(
        2 * rows, columns, sharex=True, squeeze=False, height_ratios=(4, 1) * rows
    )
    for panel in grid[:, -1][len(calibrations) // columns * 2 :]:
        panel.set_visible(False)  # an odd one stands alone
    for number, (title, found) in enumerate(calibrations.items()):
        row, column = divmod(number, columns)
        above, below = grid[2 * row : 2 * row + 2, column]
        bins = found["bins"]
        y, bars = _with_bars([b["accuracy"] for b in bins])
        for b in bins:
            low, high = b["expected"]
            above.fill_between([b["low"], b["high"]], low, high, color=LIGHT, lw=0)
        above.plot([0, 1], [0, 1], color=GREY, lw=0.8, linestyle=":")
        above.errorbar(
            [b["confidence"] for b in bins],
            y,
            yerr=bars,
            fmt="o",
            color=ACCENT,
            markersize=4.5,
            elinewidth=0.9,
            clip_on=False,
        )
        above.set_title(text_for_plot(title, 60))
        above.text(
            0.97,
            0.04,
            f"error {found['error']:.3f}\nby chance up to {found['by_chance']['high']:.3f}",
            transform=above.transAxes,
            ha="right",
            color=INK,
        )
        above.set(xlim=(0, 1), ylim=(0, 1))
        below.bar(
            [b["low"] for b in bins],
            [b["words"] for b in bins],
            width=[b["high"] - b["low"] for b in bins],
            align="edge",
            color=ACCENT,
            edgecolor="white",
        )
        below.set_yscale("log")
        below.yaxis.set_minor_formatter("")
        below.yaxis.set_major_formatter("{x:g}")
        below.set_ylim(bottom=0.7)
        below.set_xlabel("probability of the first candidate")
        if not column:
            above.set_ylabel("share that was right")
            below.set_ylabel("words")
    return figure


@on_axes
def plot_ranks(scores: Mapping[str, Mapping[str, Any]]) -> Figure:
    """Where the word meant stood in the list: the share of words at each place or better, a line a score.

    scores : name -> a decoder's score (its `ranks` and `missed`).
    """
    looks = shape_looks(list(scores))
    figure = new_figure(6.4, 3.6)
    axes = figure.subplots()
    for name, score in scores.items():
        ranks = np.asarray(score["ranks"], dtype=np.float64)
        axes.plot(
            np.arange(1, len(ranks) + 1),
            100 * np.cumsum(ranks) / (ranks.sum() + score["missed"]),
            label=text_for_plot(name, 40),
            **looks[name].line(),
        )
    axes.set_xlabel("place in the list")
    axes.set_ylabel("words at this place or better (%)")
    axes.set_ylim(top=100.5)
    axes.set_xticks(np.arange(1, max(len(s["ranks"]) for s in scores.values()) + 1))
    axes.grid(axis="y")
    figure.legend(loc="outside right center")
    return figure


@on_axes
def plot_keystrokes_by_keys(points: Sequence[Mapping[str, Any]]) -> Figure:
    """Keystrokes per character of layouts with few keys to layouts with many.

    points : one for each layout, with `layout`, `keys`, `static` (perfect touches), `multi_tap` and `noisy`, an
    estimate as value, low, high. Multi-tap, which needs no dictionary, stands for scale in a panel of its own.
    """
    kinds = {
        "multi_tap": "multi-tap, perfect touches",
        "noisy": "as typed, corrections included",
        "static": "dictionary, perfect touches",
    }
    looks = shape_looks(list(kinds))
    ordered = sorted(points, key=lambda p: p["keys"])
    x = np.arange(len(ordered))
    figure = new_figure(8.0, 3.6)
    panels = figure.subplots(1, 2)
    for axes, shown in zip(panels, (tuple(kinds), ("noisy", "static")), strict=True):
        for kind in shown:
            values, bars = [p[kind] for p in ordered], None
            if kind == "noisy":
                values, bars = _with_bars(values)
            style = looks[kind].line(markersize=5, lw=1.2)
            axes.errorbar(x, values, yerr=bars, label=kinds[kind], **style)
        axes.set_xticks(
            x, [f"{text_for_plot(str(p['layout']))}\n{p['keys']} keys" for p in ordered]
        )
        axes.set_xmargin(0.08)
        axes.grid(axis="y")
    panels[0].set_ylabel("keystrokes per character, space included")
    panels[1].set_title("the same without multi-tap")
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=3)
    return figure


def _with_bars(estimates: Sequence[Estimate], scale: float = 1.0) -> tuple[Any, Any]:
    """Values, and how far their intervals reach below and above them: arrays (n,) and (2, n)."""
    value, low, high = (
        np.asarray([scale * e[part] for e in estimates]) for part in ("value", "low", "high")
    )
    return value, np.maximum([value - low, high - value], 0)


def save_score_figures(result: LayoutScore, folder: Path) -> list[Path]:
    """The rank distribution and, where there are probabilities, the reliability of a `result`, as SVG in `folder`."""
    data = result.to_dict()
    own = data["score"]
    # Where others are compared, our decoder stands among them with the words that they were given.
    lists = data["compared"] or {own["decoder"]: own}
    made = [folder / f"{result.layout}.ranks.svg"]
    save_figure(plot_ranks(lists), made[0])
    titles = {"calibration": "all words", "calibration_known": "words of the lexicon"}
    shown = {title: own[field] for field, title in titles.items() if own[field] is not None}
    if shown:
        made.append(folder / f"{result.layout}.reliability.svg")
        save_figure(plot_reliability(shown), made[-1])
    return made
