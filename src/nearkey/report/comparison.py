"""A picture of touch models compared on people they were not fitted on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from nearkey.report.style import ACCENT, GREY, INK, new_figure, styled, thin_axes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from nearkey.touch.comparison import Comparison

__all__ = ["plot_touch_comparison"]


def plot_touch_comparison(comparison: Comparison) -> Figure:
    """Held-out gain over the baseline, key hits, and hits of the 95 % ellipse for each model.

    Dots with 95 % intervals over people; the dashed line in the last panel is where a calibrated model stands.
    Raises NearkeyError without matplotlib.
    """
    rows = list(reversed(comparison.rows))
    places = range(len(rows))
    panels = [
        (
            f"gain on {comparison.baseline},\nnats a touch",
            [(r.gain, r.gain_half) for r in rows],
            0.0,
        ),
        ("touches on their key, %", [(100 * r.key_hit, 100 * r.key_hit_half) for r in rows], None),
        ("inside the 95 % ellipse, %", [(100 * r.inside_95, 0.0) for r in rows], 95.0),
    ]
    if comparison.decoded:
        panels.insert(
            2, ("words right first, %", [(100 * r.top1, 100 * r.top1_half) for r in rows], None)
        )
    with styled():
        figure = new_figure(2.2 + 2.1 * len(panels), 1.0 + 0.3 * len(rows))
        axes = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
        for axis, (title, values, line) in zip(axes, panels, strict=True):
            thin_axes(axis)
            if line is not None:
                axis.axvline(line, color=GREY, linewidth=0.8, linestyle="--")
            axis.errorbar(
                [v for v, _ in values],
                list(places),
                xerr=[h for _, h in values],
                fmt="o",
                color=ACCENT,
                ecolor=INK,
                elinewidth=0.8,
                markersize=4,
            )
            axis.set_xlabel(title)
            axis.locator_params(axis="x", nbins=4)
        axes[0].set_yticks(list(places), [r.model for r in rows])
        axes[0].set_ylim(-0.6, len(rows) - 0.4)
    return figure
