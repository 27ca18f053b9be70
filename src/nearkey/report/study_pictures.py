"""Pictures of a study: learning curves, conditions, candidate places, touch maps, and predictions beside people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from nearkey.errors import StudyLogError
from nearkey.layout import Layout
from nearkey.report.style import (
    ACCENT,
    GREY,
    INK,
    LIGHT,
    key_colour,
    new_figure,
    on_axes,
    text_for_plot,
    thin_axes,
)
from nearkey.report.touch_pictures import Border, draw_surface
from nearkey.study import Measures, StudyLog
from nearkey.study.prediction_gap import PredictionGaps
from nearkey.study.rates import check_metric, metric_bounds
from nearkey.study.results import over_people
from nearkey.study.tidy_tables import touch_rows

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MEASURE_NAMES = {
    "wpm": "words per minute",
    "kspc": "keystrokes per character",
    "gestures_per_character": "gestures per character",
    "keystroke_savings_percent": "keystroke savings, %",
    "msd_error_percent": "MSD error rate, %",
    "msd_error_percent_aligned": "MSD error rate over alignments, %",
    "word_error_percent": "word error rate, %",
    "total_error_percent": "total error rate, %",
    "corrected_error_percent": "corrected error rate, %",
    "uncorrected_error_percent": "uncorrected error rate, %",
    "correction_efficiency": "correction efficiency",
    "conscientiousness": "conscientiousness",
    "utilised_bandwidth": "utilised bandwidth",
    "wasted_bandwidth": "wasted bandwidth",
    "first_candidate_share": "share of words from the first place",
    "mean_rank": "mean place of the words taken",
}
"""The measures of a study as a reader calls them."""

_PLACES = 5
_MOST_PEOPLE, _MOST_BLOCKS = 12, 6


@on_axes
def plot_learning(measured: Measures, metric: str = "wpm") -> Figure:
    """Learning curves: a panel for each condition, each person thin, the mean thick, its 95 % t interval shaded.

    measured : what `measures` returned. metric : one of `METRICS`.

    The mean is over the participants who typed the block. Raises StudyLogError for another metric, NearkeyError without
    matplotlib.
    """
    check_metric(metric)
    names = measured.condition_names
    figure = new_figure(max(3.6, min(2.6 * len(names) + 0.6, 9.0)), 3.0)
    panels = figure.subplots(1, len(names), sharey=True, squeeze=False)[0]
    for axes, (name, people) in zip(panels, measured.by_block(metric).items(), strict=True):
        for own in people.values():
            axes.plot(range(1, len(own) + 1), own, color=GREY, lw=0.7, alpha=0.6, zorder=1.5)
        longest = max(map(len, people.values()), default=0)
        blocks = np.arange(1, longest + 1)
        mean = [
            over_people(
                [own[i] for own in people.values() if i < len(own) and not math.isnan(own[i])],
                bounds=metric_bounds(metric),
            )
            for i in range(longest)
        ]
        value, low, high = np.array(mean).reshape(-1, 3).T
        axes.fill_between(blocks, low, high, color=ACCENT, alpha=0.18, lw=0, zorder=1)
        axes.plot(blocks, value, "o-", color=ACCENT, lw=2.4, ms=4.5, zorder=3)
        axes.set_title(f"{text_for_plot(name)}  (n = {len(people)})")
        axes.set_xlabel("block")
        axes.xaxis.get_major_locator().set_params(integer=True, nbins=8)
        thin_axes(axes, grid="y")
    panels[0].set_ylabel(MEASURE_NAMES[metric])
    return figure


@on_axes
def plot_condition_means(
    measured: Measures,
    metrics: Sequence[str] = (
        "wpm",
        "kspc",
        "corrected_error_percent",
        "uncorrected_error_percent",
    ),
) -> Figure:
    """Conditions: a panel for each measure, participants as thin lines, means with their 95 % t intervals.

    measured : what `measures` returned. metrics : of `METRICS`.

    Raises StudyLogError for another metric, NearkeyError without matplotlib.
    """
    for metric in metrics:
        check_metric(metric)
    names = measured.condition_names
    columns = min(len(metrics), 4)
    rows = math.ceil(len(metrics) / columns)
    figure = new_figure(max(2.1 * columns, 3.6), 2.9 * rows)
    panels = figure.subplots(rows, columns, squeeze=False)
    for axes, metric in zip(panels.flat, metrics, strict=False):
        for own in measured.by_participant(metric).values():
            y = [own.get(name, math.nan) for name in names]
            axes.plot(range(len(names)), y, ".-", color=GREY, lw=0.7, ms=3, alpha=0.5)
        for i, one in enumerate(measured.conditions):
            mean = one.estimates[metric]
            axes.plot((i, i), (mean.low, mean.high), color=ACCENT, lw=2.2, zorder=3)
            axes.plot(i, mean.mean, "o", color=ACCENT, ms=6.5, zorder=4)
        axes.set_title(MEASURE_NAMES[metric], fontsize=8)
        axes.set_xticks(range(len(names)), [text_for_plot(name, 14) for name in names])
        axes.set_xlim(-0.5, len(names) - 0.5)
        if metric == "wpm" or metric.endswith("error_percent"):
            axes.set_ylim(bottom=0)
        thin_axes(axes, grid="y")
    for axes in panels.flat[len(metrics) :]:
        axes.set_visible(False)
    return figure


@on_axes
def plot_candidate_places(measured: Measures) -> Figure:
    """From which place of the candidate list words were taken: a bar for each condition, shares of the words taken.

    measured : what `measures` returned. Raises StudyLogError where no word was taken from a list, NearkeyError
    without matplotlib.
    """
    shown = [one for one in measured.conditions if one.counts.ranks]
    if not shown:
        raise StudyLogError(
            "no word was taken from a list", field="logs", fix="leave this picture out"
        )
    shades = [ACCENT, "#4f8b9b", "#8db6c0", "#bcd4da", "#dfe9ec"]
    figure = new_figure(6.6, 0.75 + 0.42 * len(shown))
    axes = figure.subplots()
    for row, one in enumerate(shown):
        taken, left = sum(one.counts.ranks.values()), 0.0
        for place in range(_PLACES):
            # The last place stands for all later ones, too.
            words = sum(
                n for rank, n in one.counts.ranks.items() if min(rank, _PLACES - 1) == place
            )
            share = 100 * words / taken
            label = f"{place + 1}{' or later' if place == _PLACES - 1 else ''}"
            bar = axes.barh(
                row,
                share,
                left=left,
                color=shades[place],
                edgecolor="white",
                label=label if row == 0 else None,
            )
            if share >= 6:
                colour = "white" if place < 2 else INK
                axes.bar_label(bar, fmt="%.0f", label_type="center", color=colour)
            left += share
    axes.set_yticks(range(len(shown)), [text_for_plot(str(one.condition)) for one in shown])
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_xlim(0, 100)
    axes.set_xlabel("% of the words taken from the list")
    thin_axes(axes)
    figure.legend(loc="outside upper left", ncols=_PLACES, title="place in the list")
    return figure


@on_axes
def plot_touch_maps(
    logs: Sequence[StudyLog], condition: str, layout: Layout | None = None
) -> Figure:
    """Touches of one condition: a row for each person, a column for each block; coloured by the key the decoder took.

    Parameters
    ----------
    logs : of the study. condition : whose. layout : drawn below the touches where given; else axes are in layout
        units, without keys.

    At most 12 participants and 6 blocks are drawn. Raises StudyLogError where no log of the condition has touches,
    NearkeyError without matplotlib.
    """
    rows = touch_rows(log for log in logs if log.header.condition == condition)
    if not rows:
        raise StudyLogError(
            f"no touches of {condition}", field="logs", fix="leave this picture out"
        )
    everyone = sorted({row["participant"] for row in rows})
    people = everyone[:_MOST_PEOPLE]
    rows = [row for row in rows if row["participant"] in people]
    blocks = sorted({row["block"] for row in rows})[:_MOST_BLOCKS]
    mm = 1.0 if layout is None else layout.unit_mm
    every = mm * np.array([(row["x"], row["y"]) for row in rows])
    keys = sorted({row["key"] or "" for row in rows} - {""})
    order = {key: i for i, key in enumerate(keys if layout is None else layout.key_ids)}
    border = None if layout is None else Border.around(layout, every)
    width, height = np.ptp(every, axis=0) + 1e-9
    aspect = height / width if border is None or layout is None else border.aspect(layout)
    wide = min(1.7, 8.6 / len(blocks))
    figure = new_figure(
        max(wide * len(blocks) + 0.9, 3.6),
        min(max(aspect * wide, 0.5) * len(people) + 0.8, 14.0),
    )
    grid = figure.subplots(len(people), len(blocks), squeeze=False, sharex=True, sharey=True)
    for row, person in enumerate(people):
        for column, block in enumerate(blocks):
            axes = grid[row, column]
            if layout is not None and border is not None:
                draw_surface(axes, layout, border)
            own = [row for row in rows if (row["participant"], row["block"]) == (person, block)]
            for key in sorted({row["key"] or "" for row in own}):
                points = mm * np.array([(t["x"], t["y"]) for t in own if (t["key"] or "") == key])
                colour = key_colour(order[key]) if key in order else GREY
                axes.plot(*points.T, "o", color=colour, ms=1.7, alpha=0.55, mew=0, zorder=3)
            axes.tick_params(labelsize=6)
            if row == 0:
                axes.set_title(f"block {block}", fontsize=8)
            if column == 0:
                axes.set_ylabel(text_for_plot(person, 10), fontsize=8)
    if layout is None:
        grid[0, 0].invert_yaxis()
    note = f"{text_for_plot(condition)}, {'layout units' if layout is None else 'mm'}"
    if len(people) < len(everyone):
        note += f"; {len(people)} of {len(everyone)} people"
    figure.supxlabel(note, fontsize=8, color=GREY)
    return figure


@on_axes
def plot_predictions(gaps: PredictionGaps) -> Figure:
    """What the ranking predicted (hollow) beside what people did (filled, with 95 % t interval), by condition.

    gaps : see `nearkey.study.prediction_gap.prediction_gaps`. Raises NearkeyError without matplotlib.
    """
    shown = list(dict.fromkeys(row.measure for row in gaps.rows))
    names = list(dict.fromkeys(row.condition for row in gaps.rows))
    titles = {"kspc": "KSPC", "wpm": "WPM"} | {f"top{k}": f"top-{k}, %" for k in (1, 3, 5)}
    figure = new_figure(min(1.7 * len(shown) + 1.0, 9.0), 1.2 + 0.42 * len(names))
    panels = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    for axes, measure in zip(panels, shown, strict=True):
        scale = 100.0 if measure.startswith("top") else 1.0
        for row in gaps.rows:
            if row.measure != measure:
                continue
            at = names.index(row.condition)
            value, low, high = (scale * part for part in row.measured)
            predicted = scale * row.predicted
            axes.plot((predicted, value), (at, at), color=LIGHT, lw=1.4, zorder=1)
            axes.plot((low, high), (at, at), color=ACCENT, lw=2.0, zorder=2)
            axes.plot(value, at, "o", color=ACCENT, ms=5.5, zorder=3)
            axes.plot(predicted, at, "o", mfc="white", mec=INK, ms=6.5, zorder=3)
        axes.set_title(titles[measure], fontsize=9)
        axes.locator_params(axis="x", nbins=4)
        thin_axes(axes)
    panels[0].set_yticks(range(len(names)), [text_for_plot(name) for name in names])
    panels[0].set_ylim(len(names) - 0.5, -0.5)
    handles = [
        panels[0].plot([], [], "o", mfc="white", mec=INK, ms=6.5, label="ranking")[0],
        panels[0].plot([], [], "o-", color=ACCENT, ms=5.5, label="people")[0],
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure
