"""Pictures, tables and the self-contained report of a ranking.

Needs the extra: ``pip install 'nearkey[report]'``. Every figure function returns a matplotlib Figure
that belongs to no window, which `save_figure` writes; with ``axes=`` it draws on Axes of yours and returns them.
"""

from nearkey.report.page import ReportFiles, rank_report
from nearkey.report.pictures import LoggedTouches, Recorded
from nearkey.report.plots import (
    plot_accuracy,
    plot_collisions,
    plot_conditions,
    plot_differences,
    plot_noise_curves,
    plot_tradeoff,
)
from nearkey.report.style import save_figure
from nearkey.report.touch_pictures import (
    draw_touches,
    plot_ellipses,
    plot_keys,
    plot_layout,
    plot_people,
    plot_touch_comparison,
)
from nearkey.report.wording import shape_of

__all__ = [
    "LoggedTouches",
    "Recorded",
    "ReportFiles",
    "draw_touches",
    "plot_accuracy",
    "plot_collisions",
    "plot_conditions",
    "plot_differences",
    "plot_ellipses",
    "plot_keys",
    "plot_layout",
    "plot_noise_curves",
    "plot_people",
    "plot_touch_comparison",
    "plot_tradeoff",
    "rank_report",
    "save_figure",
    "shape_of",
]
