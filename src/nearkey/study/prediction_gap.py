"""What a ranking predicted of the layouts beside what people did on them."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from nearkey.errors import StudyLogError
from nearkey.frames import Tabular
from nearkey.intervals import Estimate
from nearkey.schema import read_json
from nearkey.study.rates import Rates, metric_bounds, ratio
from nearkey.study.results import Measures, over_people, result_text
from nearkey.study.study_log import StudyLog
from nearkey.text_table import ResultTable, estimate_text, number

_MEASURES = ("top1", "top3", "top5", "kspc", "wpm")


@dataclass(frozen=True, slots=True)
class PredictedLayout:
    """What a ranking says of one layout: its `place` in the table, and `figures`, measure -> value.

    Measures: "top1", "top3", "top5" (shares of words), "kspc" and "wpm".
    """

    layout: str
    place: int
    figures: Mapping[str, float]


def read_predictions(path: str | os.PathLike[str]) -> tuple[PredictedLayout, ...]:
    """Read a ranking: a file that `RankResult.save` wrote at `path`, or what `nearkey rank --json` printed.

    Raises StudyLogError for a file that is neither.
    """
    where = os.fspath(path)
    data = read_json(path, StudyLogError, fix="name a ranking's JSON file")
    rows = data.get("rows") if isinstance(data, dict) else data
    out = []
    for i, row in enumerate(rows if isinstance(rows, list) else ()):
        fields = row if isinstance(row, dict) else {}
        read = {name: _value(fields.get(name)) for name in _MEASURES}
        figures = {name: value for name, value in read.items() if value is not None}
        layout, place = fields.get("layout"), fields.get("place")
        if not isinstance(layout, str) or not figures:
            raise StudyLogError(
                "is no row of a ranking",
                where=where,
                field=f"rows[{i}]",
                fix="rank again and save it",
            )
        place = place if isinstance(place, int) else i + 1
        out.append(PredictedLayout(layout, place, figures))
    if not out:
        raise StudyLogError(
            "holds no ranking", where=where, field="rows", fix="save one with `nearkey rank --json`"
        )
    return tuple(out)


def _value(estimate: Any) -> float | None:
    """The value of an estimate, however it is written: a number, [value, low, high] or {"value": …}."""
    if isinstance(estimate, dict):
        estimate = estimate.get("value")
    elif isinstance(estimate, list) and estimate:
        estimate = estimate[0]
    # A whole number past all doubles is no figure of a ranking.
    return float(estimate) if isinstance(estimate, float | int) and abs(estimate) < 1e300 else None


def layout_names(logs: Iterable[StudyLog]) -> dict[str, str]:
    """Condition -> the layout its logs' headers name; conditions without one are left out."""
    return {log.header.condition: log.header.layout for log in logs if log.header.layout}


@dataclass(frozen=True, slots=True)
class PredictionGap:
    """One measure of one condition: `predicted`, `measured` (mean over participants, t interval), and `gap`, measured
    less predicted with its interval. `layout`: the one of the ranking."""

    condition: str
    layout: str
    measure: str
    predicted: float
    measured: Estimate
    gap: Estimate


@dataclass(frozen=True, slots=True, repr=False)
class PredictionGaps(Tabular):
    """All measures of all conditions that the ranking speaks of.

    `missing`: conditions whose layout it does not have. `same_order`: measure -> (pairs of conditions in the predicted
    order, pairs that the ranking tells apart). `origins`: where the logs come from.
    """

    rows: tuple[PredictionGap, ...]
    missing: tuple[str, ...]
    same_order: Mapping[str, tuple[int, int]]
    origins: tuple[str, ...]

    def to_dicts(self) -> list[dict[str, Any]]:
        """One row for each condition and measure."""
        return [
            {
                "condition": row.condition,
                "layout": row.layout,
                "measure": row.measure,
                "predicted": row.predicted,
                "measured": row.measured.value,
                "low": row.measured.low,
                "high": row.measured.high,
                "gap": row.gap.value,
                "gap_low": row.gap.low,
                "gap_high": row.gap.high,
            }
            for row in self.rows
        ]

    def table(self) -> ResultTable:
        """A row for each condition and measure, as it is printed."""
        return ResultTable(
            ("condition", "layout", "measure", "predicted", "measured", "gap"),
            [
                (
                    row.condition,
                    row.layout,
                    row.measure,
                    number(row.predicted, 3),
                    estimate_text(row.measured, 3),
                    estimate_text(row.gap, 3, sign=True),
                )
                for row in self.rows
            ],
            left=(0, 1, 2),
        )

    def notes(self) -> list[str]:
        """What stands below the table: orders, what the brackets are, what the ranking lacks."""
        lines = [
            f"{measure}: {same} of {pairs} pair{'s' if pairs > 1 else ''} of conditions in the predicted order"
            for measure, (same, pairs) in self.same_order.items()
        ]
        lines.append(
            "[..]: 95 % interval over participants (Student's t); the predictions' own are in the ranking"
        )
        if self.missing:
            lines.append(f"not in the ranking: {', '.join(self.missing)}")
        return lines

    def __str__(self) -> str:
        return result_text("", self.table(), self.notes(), self.origins)


def prediction_gaps(
    measured: Measures,
    predictions: Sequence[PredictedLayout],
    *,
    layouts: Mapping[str, str] | None = None,
) -> PredictionGaps:
    """Set what a ranking predicted beside what people did.

    Parameters
    ----------
    measured : what `measures` returned. predictions : see `read_predictions`.
    layouts : condition -> layout; the condition's own name where it is not there.

    Top-k of people is the share of the words taken from the list that stood among its first k; words typed without the
    list are in neither. Keystrokes per character and words per minute are those of `Rates`: with the slips,
    corrections and pauses that a ranking does not have.
    Raises StudyLogError where the ranking has none of the study's layouts.
    """
    by_name = {one.layout: one for one in predictions}
    rows: list[PredictionGap] = []
    missing = []
    for condition in measured.condition_names:
        layout = (layouts or {}).get(condition, condition)
        found = by_name.get(layout)
        if found is None:
            missing.append(condition)
            continue
        people = [one for one in measured.participants if one.condition == condition]
        for name, predicted in found.figures.items():
            values = [value for one in people if not math.isnan(value := _of_person(one, name))]
            if not values:
                continue
            bounds = (0.0, 1.0) if name.startswith("top") else metric_bounds(name)
            mean = over_people(values, bounds=bounds)
            gap = Estimate(*(end - predicted for end in mean))
            rows.append(PredictionGap(condition, layout, name, predicted, mean, gap))
    if not rows:
        raise StudyLogError(
            f"has no layout of this study ({', '.join(missing)})",
            field="predictions",
            fix="rank these layouts, or say which layout a condition is",
        )
    same_order = {}
    for name in _MEASURES:
        own = [row for row in rows if row.measure == name]
        pairs = [(a, b) for a, b in combinations(own, 2) if a.predicted != b.predicted]
        same = sum(
            (a.predicted - b.predicted) * (a.measured.value - b.measured.value) > 0
            for a, b in pairs
        )
        if pairs:
            same_order[name] = (same, len(pairs))
    return PredictionGaps(tuple(rows), tuple(missing), same_order, measured.origins)


def _of_person(rates: Rates, measure: str) -> float:
    if not measure.startswith("top"):
        return float(getattr(rates, measure))
    ranks = rates.counts.ranks
    first = sum(n for rank, n in ranks.items() if rank < int(measure[3:]))
    return ratio(first, sum(ranks.values()))
