"""The pictures of a ranking report, each with its file name, alternative text and caption."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

from nearkey.layout import Layout
from nearkey.report.plots import (
    plot_accuracy,
    plot_collisions,
    plot_conditions,
    plot_differences,
    plot_noise_curves,
    plot_tradeoff,
)
from nearkey.report.style import styled
from nearkey.report.touch_pictures import (
    MANY_KEYS,
    draw_touches,
    plot_keys,
    plot_people,
    simulated_touches,
)
from nearkey.report.wording import MEASURES, drawn_layouts, leading, percent, shape_of, span
from nearkey.simulate import NoiseCurves, RankResult
from nearkey.touch import CleaningReport, TouchLog, concat
from nearkey.touch.key_geometry import geometry_of
from nearkey.touch.labelling import target_keys

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DPI = 160


class Recorded(Protocol):
    """A touch log, the layout its targets are of, and what cleaning did to it (None where it did nothing)."""

    @property
    def log(self) -> TouchLog: ...
    @property
    def layout(self) -> Layout: ...
    @property
    def cleaning(self) -> CleaningReport | None: ...


@dataclass(frozen=True, slots=True)
class LoggedTouches:
    """Touches for a report's pictures: a log, the layout it was recorded on, its cleaning; see `Recorded`."""

    log: TouchLog
    layout: Layout
    cleaning: CleaningReport | None = None


@dataclass(frozen=True, slots=True)
class ReportPicture:
    """A picture of a report.

    name : file name of its PNG. heading, alt, caption : plain text. png : the file.
    embedded : the same picture as a data URI, in lines where that is the smaller.
    """

    name: str
    heading: str
    alt: str
    caption: str
    png: bytes
    embedded: str


def report_picture(
    figure: Figure,
    name: str,
    alt: str,
    caption: str,
    *,
    heading: str = "",
    embed: Literal["svg", "png"] = "svg",
) -> ReportPicture:
    """A figure with what a report says of it; `embed` is how the page holds it."""
    with styled():
        png = io.BytesIO()
        figure.savefig(png, format="png", dpi=_DPI, metadata={"Software": None})
        data, kind = png.getvalue(), "image/png"
        if embed == "svg":
            svg = io.BytesIO()
            figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
            data, kind = svg.getvalue(), "image/svg+xml"
    uri = f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
    return ReportPicture(name, heading, alt, caption, png.getvalue(), uri)


def ranking_pictures(
    result: RankResult, curves: NoiseCurves | None, *, limit: int
) -> Iterator[ReportPicture]:
    """The plots of a `result` as a whole and of its noise `curves`, rows being the first `limit` layouts and the
    baseline."""
    if result.baseline is not None and result.conditions and len(result.rows) > 1:
        yield report_picture(
            plot_conditions(result),
            name="conditions.png",
            heading="The conditions side by side",
            alt=f"Dots with 95 % intervals: leads over {result.baseline} under "
            + ", ".join(result.winners)
            + "; winners: "
            + ", ".join(result.winners.values())
            + ".",
            caption="Leads over the baseline under each condition, with intervals that hold for all layouts together: "
            "over words where the decoder knows the hand (matched), over people elsewhere. Dark: the first of each.",
        )
    if curves is not None:
        yield report_picture(
            plot_noise_curves(curves),
            name="noise.png",
            heading="What the lead owes to noise",
            alt=f"Two curves: the lead of {curves.layout} over {curves.baseline} against the spread of touches and "
            f"against the spread the decoder believes in. {curves}.",
            caption=f"The lead of {curves.layout} over {curves.baseline}, {curves.words:,} words a point, with common "
            f"random numbers; bands: 95 %; the vertical band: where the lead changes sign. {curves}.",
        )
    best, names = result.rows[0], leading(result, limit)
    yield report_picture(
        plot_accuracy(result, limit=limit),
        name="accuracy.png",
        heading="Accuracy",
        alt=f"Dots with 95 % intervals for {len(names)} layouts in three panels: top-1, top-3 and top-5 "
        f"accuracy. The first layout, {best.layout}, has {percent(best.top1.value)} %, "
        f"{percent(best.top3.value)} % and {percent(best.top5.value)} %.",
        caption="Share of words that came first, or among the first three or five candidates, with 95 % "
        "intervals (Wilson). The panels have different scales."
        + (" Shaded: the baseline's interval." if result.baseline else ""),
    )
    if result.baseline is not None and len(result.rows) > 1:
        yield report_picture(
            plot_differences(result, limit=limit),
            name="differences.png",
            heading="Differences to the baseline",
            alt=f"Dots with 95 % intervals: paired differences of top-1, top-3 and keystrokes per "
            f"character between {len(names) - 1} layouts and {result.baseline}, with a line at 0.",
            caption="Paired differences over the same words typed with common random numbers, with 95 % intervals. "
            "An interval that crosses 0 does not distinguish a layout from the baseline.",
        )
    yield report_picture(
        plot_tradeoff(result, limit=limit),
        name="effort.png",
        heading="Effort and speed",
        alt=f"Two scatter plots of all {len(result.rows)} layouts: keystrokes per character against "
        "accuracy, and predicted words per minute against accuracy; a line joins the layouts that no "
        "other beats in both.",
        caption="Every layout, marked by its shape. The line joins those that no other beats in both respects "
        "(the Pareto front). The lower panels show the leaders alone, with their places in the table. "
        "Speed is predicted with constants that nobody has verified for such a surface: compare layouts "
        "by it, do not quote it.",
    )
    yield report_picture(
        plot_collisions(result),
        name="collisions.png",
        heading="What the letter assignment alone costs",
        alt=f"Two scatter plots of all {len(result.rows)} layouts: share of words in first place, and in "
        "the first three, with perfect touches (across) and with noisy touches (upwards); a dashed "
        "line marks equality.",
        caption="Across: exact, over all words of the pack by their probability, without context. Upwards: what the "
        "simulated typist reached. Below the dashed line, noise costs accuracy; far to the left, letters "
        "that share keys do. With context, or with other words than the pack's, a layout may stand above the line.",
    )


def layout_pictures(result: RankResult, touches: Sequence[Recorded]) -> Iterator[ReportPicture]:
    """The layouts of a `result` worth looking at, with `touches` logged or drawn, and 95 % ellipses."""
    for name, why in drawn_layouts(result):
        scored = result.scored[name]
        layout, row, shape = scored.layout, result.row(name), shape_of(scored.layout)
        log = log_for(layout, touches)
        source = "logged touches" if log is not None else "touches drawn from the touch model"
        many = len(layout.letter_keys) > MANY_KEYS
        if many:  # touches and ellipses of so many keys hide each other
            figure = plot_keys(layout, scored.touch)
        else:
            figure = draw_touches(
                simulated_touches(layout, scored.touch) if log is None else log,
                layout,
                scored.touch,
            )
        yield report_picture(
            figure,
            name=f"layout-{row.place:02d}-{_slug(name)}.png",
            heading=name,
            alt=f"Layout {name}: "
            + "; ".join(f"key {key.label}" for key in layout.letter_keys)
            + f". Shown with {'' if many else f'{source} and '}the ellipse that holds 95 % of the touches of each key.",
            caption=f"{why[0].upper()}{why[1:]}{'' if shape in why else f', {shape}'}: {MEASURES['top3'].name} "
            f"{percent(row.top3.value)} % ({span(row.top3, percent)}). "
            + (
                "Ellipses, a key at a time: the model's 95 %."
                if many
                else f"Dots: {source}; ellipses: the model's 95 %."
            ),
            embed="png",
        )


def people_picture(result: RankResult, touches: Sequence[Recorded]) -> ReportPicture | None:
    """How the people differ in the log (of `touches`) of the best layout of `result` that has two or more people."""
    for row in result.rows:
        layout = result.scored[row.layout].layout
        log = log_for(layout, touches)
        if log is None or len(log.participants) < 2:
            continue
        return report_picture(
            plot_people(log, layout),
            name="people.png",
            heading="People",
            alt=f"A small picture for each of {len(log.participants)} people: touches on the keys of shape "
            f"{shape_of(layout)} with arrows for the person's mean offset.",
            caption=f"Touches on the keys of shape {shape_of(layout)}, person by person. Where people differ more "
            "than one model can hold, a model fitted to each would serve them better than the ranking shows.",
            embed="png",
        )
    return None


def log_for(layout: Layout, touches: Sequence[Recorded]) -> TouchLog | None:
    """The touches logged on keys that lie as those of `layout` do, with its key ids as targets.

    The letters on the keys may differ: what counts is the rectangle a touch was meant for. None where
    no log fits.
    """
    found = []
    for recorded in touches:
        log, logged_on = recorded.log, recorded.layout
        # Both in millimetres, so that layouts in other units still match.
        here = geometry_of(layout.fitted(layout.width_mm, layout.height_mm))
        there = geometry_of(logged_on.fitted(logged_on.width_mm, logged_on.height_mm))
        order = there.match(here)
        if order is None:
            continue
        key_here = np.argsort(order)
        names = np.array([*layout.key_ids, ""])
        keys = target_keys(log, logged_on)
        targets = np.where(keys < 0, "", names[key_here[keys]])
        points = log.in_units_of(logged_on).points * (logged_on.unit_mm / layout.unit_mm)
        targets.setflags(write=False)
        found.append(replace(log.with_points(points, unit="layout"), target=targets))
    return concat(found) if found else None


def _slug(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or "layout"
