"""The report of a study: one self-contained page, its pictures as files, and its tables as tidy data."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from nearkey.errors import StudyLogError
from nearkey.extras import library
from nearkey.intervals import Estimate
from nearkey.layout import Layout
from nearkey.report.page_files import (
    ReportTable,
    TableCell,
    check_report_extra,
    rendered,
    write_page,
    writing_to,
)
from nearkey.report.pictures import ReportPicture, report_picture
from nearkey.report.study_pictures import (
    MEASURE_NAMES,
    plot_candidate_places,
    plot_condition_means,
    plot_learning,
    plot_predictions,
    plot_touch_maps,
)
from nearkey.study import (
    Measures,
    StudyLog,
    StudyPlan,
    WorkloadAnswer,
    compare_conditions,
    condition_by_block,
    condition_orders,
    fit_mixed_model,
    learning_curve,
    measures,
    observations,
    order_checks,
    workload_summary,
)
from nearkey.study.phrase_observations import ConditionOrders
from nearkey.study.prediction_gap import (
    PredictedLayout,
    PredictionGaps,
    layout_names,
    prediction_gaps,
)
from nearkey.study.rates import check_metric
from nearkey.study.results import INTERVAL_NAMES
from nearkey.study.tidy_tables import has_parquet, tidy_tables, write_tidy_tables
from nearkey.text_table import ResultTable, estimate_text, number


@dataclass(frozen=True, slots=True)
class StudyReportFiles:
    """Where a report lies: the `page`, which needs no other file, its `pictures`, and the `tables` as tidy data.

    `measured`: what all of it was made of.
    """

    page: Path
    pictures: tuple[Path, ...]
    tables: tuple[Path, ...]
    measured: Measures


Parts = Iterable[str | ReportPicture | ReportTable]
"""What a section of the page is of: sentences, pictures, tables."""


def study_report(
    logs: Iterable[StudyLog],
    folder: str | os.PathLike[str],
    *,
    plan: StudyPlan | None = None,
    metrics: Sequence[str] = ("wpm", "total_error_percent"),
    layouts: Mapping[str, Layout] | None = None,
    predictions: Sequence[PredictedLayout] = (),
    workload: Sequence[WorkloadAnswer] = (),
    ignore_case: bool = False,
    ignore_punctuation: bool = False,
    texts: bool = False,
    title: str = "Study report",
    note: str = "",
) -> StudyReportFiles:
    """Write the report of a study: `report.html`, its pictures as PNG files beside it, tidy tables in `tables/`.

    Parameters
    ----------
    logs : of the study. folder : made where it is not there; files of the same names are replaced.
    plan : tells the order of conditions; the logs' headers do where it is not given.
    metrics : of `METRICS`, for learning curves and tests; decide them before you look.
    layouts : condition -> layout, drawn below the touches; a condition's headers may name one of a ranking.
    predictions : what a ranking said, see `read_predictions`. workload : answers, see `read_workload_answers`.
    ignore_case, ignore_punctuation : see `measures`.
    texts : keep what was typed in `phrases.csv`; private, so left out unless asked for.
    title, note : heading, and a sentence below it.

    Parquet files are written where pyarrow is installed.
    Raises NearkeyError where matplotlib, jinja2 or scipy is missing or the folder cannot be written,
    StudyLogError for an unknown metric or logs without a finished phrase.
    """
    check_report_extra(folder)
    library("scipy", extra="stats", needs="reports of studies need scipy")
    for metric in metrics:
        check_metric(metric)
    given = list(logs)
    measured = measures(given, ignore_case=ignore_case, ignore_punctuation=ignore_punctuation)
    if not measured.phrases:
        raise StudyLogError(
            f"no finished phrase to report ({measured.reasons or 'no trials'})",
            field="logs",
            fix="give logs with trials that end",
        )
    orders = condition_orders(given, plan=plan)
    gaps = None
    if predictions:  # by the layouts given, else those that the headers name
        named = layout_names(given) | {name: one.name for name, one in (layouts or {}).items()}
        gaps = prediction_gaps(measured, predictions, layouts=named)
    made: dict[tuple[str, str], Parts] = {
        ("what", "What was measured"): _what(measured, given, orders, metrics),
        ("conditions", "Conditions"): _conditions(measured, metrics),
        ("learning", "Learning"): _learning(measured, metrics),
        ("models", "Models and checks"): _models(measured, metrics, orders),
        ("lists", "Candidate places"): _lists(measured),
        ("predictions", "Predicted and measured"): () if gaps is None else _predicted(gaps),
        ("workload", "Workload"): _workload(workload) if workload else (),
        ("touches", "Touch maps"): _touch_maps(given, measured, layouts or {}),
        ("limits", "What the numbers do not say"): _limits(measured),
    }
    sections = {name: found for name, parts in made.items() if (found := list(parts))}
    pictures = [
        part for parts in sections.values() for part in parts if isinstance(part, ReportPicture)
    ]
    page = rendered(
        "study_page.html.j2",
        title=title,
        note=note,
        origin=""
        if measured.origins == ("person",)
        else f"These logs were not all typed by people: origin {', '.join(measured.origins)}.",
        sections=sections,
    )
    tables = tidy_tables(measured, given, orders=orders, texts=texts)
    if gaps is not None:
        tables["predictions"] = gaps.to_dicts()
    if workload:
        tables["workload"] = workload_summary(workload).to_dicts()
    place = Path(folder)
    with writing_to(folder):
        written = write_tidy_tables(tables, place / "tables", parquet=has_parquet())
        write_page(place, page, pictures)
    return StudyReportFiles(
        place / "report.html", tuple(place / p.name for p in pictures), tuple(written), measured
    )


def _what(
    measured: Measures, logs: Sequence[StudyLog], orders: ConditionOrders, metrics: Sequence[str]
) -> Parts:
    people = sorted({one.participant for one in measured.participants})
    conditions = measured.condition_names
    yield (
        f"{len(people)} participants typed {len(measured.phrases)} phrases under {len(conditions)} "
        f"condition{'s' if len(conditions) != 1 else ''}: {', '.join(conditions)}."
    )
    yield (
        f"Measures compared: {', '.join(MEASURE_NAMES[metric] for metric in metrics)}. "
        f"Accepting a candidate counts as {measured.selection}."
    )
    if measured.ignored:
        yield f"Texts were compared without {' and '.join(measured.ignored)}."
    if measured.left_out:
        yield f"Left out: {measured.reasons}."
    truncated = [log.source or "a log" for log in logs if log.truncated is not None]
    if truncated:
        yield f"The last record was cut short in {', '.join(truncated)}; it was left out."
    unknown = [name for name in people if name not in orders]
    if unknown and len(conditions) > 1:
        yield f"The order of conditions is not known for {', '.join(unknown)}."


def _table(caption: str, found: ResultTable, notes: Iterable[str] = ()) -> ReportTable:
    """A result's table with a reader's names for measures, and its notes as sentences."""
    rows = [[str(cell).replace("->", "→") for cell in row] for row in found.rows]
    named = [[MEASURE_NAMES.get(row[0], row[0]), *row[1:]] for row in rows]
    return ReportTable(
        caption,
        tuple(found.heads),
        tuple(tuple(map(TableCell, row)) for row in named),
        notes=tuple(f"{note[0].upper()}{note[1:]}." for note in notes),
    )


def _conditions(measured: Measures, metrics: Sequence[str]) -> Parts:
    shown = measured.conditions
    yield report_picture(
        plot_condition_means(measured),
        "conditions.png",
        f"Means with 95 % intervals of {len(shown)} conditions in four panels: speed, keystrokes per character, "
        "corrected and uncorrected errors; each person as a thin line.",
        "Means over participants with 95 % t intervals; thin lines are participants. Scales differ between panels.",
    )
    notes = (f"Intervals: {INTERVAL_NAMES[measured.interval]}, cut to the values that can be",)
    yield _table("Means over participants with 95 % intervals", measured.table(), notes)
    for metric in metrics if len(shown) > 1 else ():
        with suppress(StudyLogError):
            found = compare_conditions(measured, metric)
            caption = f"Conditions compared: {MEASURE_NAMES[metric]}"
            yield _table(caption, found.table(), found.notes())


def _learning(measured: Measures, metrics: Sequence[str]) -> Parts:
    if len({block.block for block in measured.blocks}) < 2:
        return
    for metric in metrics:
        yield report_picture(
            plot_learning(measured, metric),
            f"learning-{metric.replace('_', '-')}.png",
            f"Learning curves of {MEASURE_NAMES[metric]} by block, a panel for each condition.",
            f"{MEASURE_NAMES[metric].capitalize()} by block: thin lines are participants, the thick line their "
            "mean, the band its 95 % t interval.",
        )
    curves = [
        learning_curve(measured, metric=metrics[0], condition=str(one.condition))
        for one in measured.conditions
    ]
    table = ResultTable(
        (
            "condition",
            "participants",
            "mean exponent over participants",
            "exponent of the averaged curve",
        ),
        [
            (
                curve.condition,
                len(curve.participants),
                estimate_text(Estimate(curve.x_mean, curve.x_low, curve.x_high), 3),
                number(curve.averaged.x if curve.averaged else None, 3),
            )
            for curve in curves
        ],
    )
    caption = f"Power law of practice, {MEASURE_NAMES[metrics[0]]}"
    caution = (
        "an averaged curve can follow a power law that no person follows: judge by the participants"
    )
    yield _table(caption, table, (caution,))


def _models(measured: Measures, metrics: Sequence[str], orders: ConditionOrders) -> Parts:
    for metric in metrics:
        name = MEASURE_NAMES[metric]
        try:
            fit = fit_mixed_model(observations(measured, metric, orders=orders))
            notes = (f"{fit.n} phrases", *fit.notes())
            yield _table(f"Mixed-effects model: {name}", fit.table(), notes)
        except StudyLogError as fault:
            yield f"No mixed-effects model of {name}: {fault.problem}."
        if len(measured.conditions) < 2:
            continue
        try:
            by_block = condition_by_block(measured, metric)
            yield _table(f"Condition and block: {name}", by_block.table())
        except StudyLogError as fault:
            yield f"No check of condition and block of {name}: {fault.problem}."
        try:
            order = order_checks(measured, metric, orders=orders)
            yield _table(f"Order: {name}", order.table(), order.notes())
        except StudyLogError as fault:
            yield f"No check of the order of {name}: {fault.problem}."


def _lists(measured: Measures) -> Parts:
    if any(one.counts.ranks for one in measured.conditions):
        yield report_picture(
            plot_candidate_places(measured),
            "candidate-places.png",
            "Bars: from which place of the candidate list words were taken, by condition.",
            "Each word counts once, at the place it was last taken from; choices that were undone do not count.",
        )


def _predicted(gaps: PredictionGaps) -> Parts:
    yield (
        "A ranking's typist makes no slips of attention and pauses for nothing; the gap says how far people were from "
        "it. Top-k of people: the share of the words taken from the list that stood among its first k."
    )
    yield report_picture(
        plot_predictions(gaps),
        "predictions.png",
        "What the ranking predicted beside what people did, by condition and measure.",
        "Hollow: the ranking's prediction. Filled: mean over participants with its 95 % t interval.",
    )
    yield _table("Predicted and measured", gaps.table(), gaps.notes())


def _workload(answers: Sequence[WorkloadAnswer]) -> Parts:
    yield _table(
        "Workload, 0 to 100 (NASA Task Load Index)",
        workload_summary(answers).table(),
        ("means over participants with 95 % t intervals; raw: mean of six; weighted: by 15 pairs",),
    )


def _touch_maps(
    logs: Sequence[StudyLog], measured: Measures, layouts: Mapping[str, Layout]
) -> Parts:
    for i, condition in enumerate(measured.condition_names):
        with suppress(StudyLogError):
            yield report_picture(
                plot_touch_maps(logs, condition, layouts.get(condition)),
                f"touches-{i + 1:02d}.png",
                f"Touches under {condition}: a row for each person, a column for each block.",
                f"Touches under {condition}, by person and block, coloured by the key the decoder took.",
                embed="png",
            )


def _limits(measured: Measures) -> Parts:
    yield (
        "Decide measures, conditions and number of participants before you look; Holm's method corrects for the pairs "
        "of one table, not for trying many measures."
    )
    yield "Wrong characters left in the text count towards speed as much as right ones: report both together."
    yield "Student's t takes participants' figures for roughly normal. Read no speeds off a curve after the last block."
    people = len({one.participant for one in measured.participants})
    if people < 8:
        yield f"With {people} participants an interval is wide and a check that finds nothing says little."
