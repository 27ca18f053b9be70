"""The report of a study: one self-contained page, its pictures as files, and its tables as tidy data."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
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


@dataclass(frozen=True, slots=True)
class _StudySection:
    id: str
    title: str
    texts: tuple[str, ...] = ()
    pictures: tuple[ReportPicture, ...] = ()
    tables: tuple[ReportTable, ...] = ()


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
    gaps = (
        prediction_gaps(measured, predictions, layouts=_ranked_names(given, layouts))
        if predictions
        else None
    )
    sections = [
        _what(measured, given, orders, metrics),
        _conditions(measured, metrics),
        _learning(measured, metrics),
        _models(measured, metrics, orders),
        _lists(measured),
        *([_predicted(gaps)] if gaps is not None else []),
        *([_workload(workload)] if workload else []),
        _touch_maps(given, measured, layouts or {}),
        _limits(measured),
    ]
    sections = [one for one in sections if one.texts or one.pictures or one.tables]
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
    pictures = [picture for section in sections for picture in section.pictures]
    with writing_to(folder):
        written = write_tidy_tables(tables, place / "tables", parquet=has_parquet())
        write_page(place, page, pictures)
    return StudyReportFiles(
        place / "report.html", tuple(place / p.name for p in pictures), tuple(written), measured
    )


def _ranked_names(logs: Sequence[StudyLog], layouts: Mapping[str, Layout] | None) -> dict[str, str]:
    """Condition -> name of its layout: the one given, else the one its headers name."""
    return layout_names(logs) | {name: one.name for name, one in (layouts or {}).items()}


def _what(
    measured: Measures, logs: Sequence[StudyLog], orders: ConditionOrders, metrics: Sequence[str]
) -> _StudySection:
    people = sorted({one.participant for one in measured.participants})
    conditions = measured.condition_names
    texts = [
        f"{len(people)} participants typed {len(measured.phrases)} phrases under {len(conditions)} "
        f"condition{'s' if len(conditions) != 1 else ''}: {', '.join(conditions)}.",
        f"Measures compared: {', '.join(MEASURE_NAMES[metric] for metric in metrics)}. "
        f"Accepting a candidate counts as {measured.selection}.",
    ]
    if measured.ignored:
        texts.append(f"Texts were compared without {' and '.join(measured.ignored)}.")
    if measured.left_out:
        texts.append(f"Left out: {measured.reasons}.")
    truncated = [log.source or "a log" for log in logs if log.truncated is not None]
    if truncated:
        texts.append(f"The last record was cut short in {', '.join(truncated)}; it was left out.")
    unknown = [name for name in people if name not in orders]
    if unknown and len(conditions) > 1:
        texts.append(f"The order of conditions is not known for {', '.join(unknown)}.")
    return _StudySection("what", "What was measured", tuple(texts))


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


def _conditions(measured: Measures, metrics: Sequence[str]) -> _StudySection:
    shown = measured.conditions
    notes = (f"Intervals: {INTERVAL_NAMES[measured.interval]}, cut to the values that can be",)
    tables = [_table("Means over participants with 95 % intervals", measured.table(), notes)]
    for metric in metrics if len(shown) > 1 else ():
        try:
            found = compare_conditions(measured, metric)
        except StudyLogError:
            continue
        caption = f"Conditions compared: {MEASURE_NAMES[metric]}"
        tables.append(_table(caption, found.table(), found.notes()))
    picture = report_picture(
        plot_condition_means(measured),
        "conditions.png",
        f"Means with 95 % intervals of {len(shown)} conditions in four panels: speed, keystrokes per character, "
        "corrected and uncorrected errors; each person as a thin line.",
        "Means over participants with 95 % t intervals; thin lines are participants. Scales differ between panels.",
    )
    return _StudySection("conditions", "Conditions", pictures=(picture,), tables=tuple(tables))


def _learning(measured: Measures, metrics: Sequence[str]) -> _StudySection:
    if len({block.block for block in measured.blocks}) < 2:
        return _StudySection("learning", "Learning")
    pictures = tuple(
        report_picture(
            plot_learning(measured, metric),
            f"learning-{metric.replace('_', '-')}.png",
            f"Learning curves of {MEASURE_NAMES[metric]} by block, a panel for each condition.",
            f"{MEASURE_NAMES[metric].capitalize()} by block: thin lines are participants, the thick line their "
            "mean, the band its 95 % t interval.",
        )
        for metric in metrics
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
    return _StudySection(
        "learning", "Learning", pictures=pictures, tables=(_table(caption, table, (caution,)),)
    )


def _models(measured: Measures, metrics: Sequence[str], orders: ConditionOrders) -> _StudySection:
    texts: list[str] = []
    tables: list[ReportTable] = []
    for metric in metrics:
        name = MEASURE_NAMES[metric]
        try:
            fit = fit_mixed_model(observations(measured, metric, orders=orders))
            notes = (f"{fit.n} phrases", *fit.notes())
            tables.append(_table(f"Mixed-effects model: {name}", fit.table(), notes))
        except StudyLogError as fault:
            texts.append(f"No mixed-effects model of {name}: {fault.problem}.")
        if len(measured.conditions) < 2:
            continue
        try:
            by_block = condition_by_block(measured, metric)
            tables.append(_table(f"Condition and block: {name}", by_block.table()))
        except StudyLogError as fault:
            texts.append(f"No check of condition and block of {name}: {fault.problem}.")
        try:
            order = order_checks(measured, metric, orders=orders)
            tables.append(_table(f"Order: {name}", order.table(), order.notes()))
        except StudyLogError as fault:
            texts.append(f"No check of the order of {name}: {fault.problem}.")
    return _StudySection("models", "Models and checks", tuple(texts), tables=tuple(tables))


def _lists(measured: Measures) -> _StudySection:
    if not any(one.counts.ranks for one in measured.conditions):
        return _StudySection("lists", "Candidate places")
    picture = report_picture(
        plot_candidate_places(measured),
        "candidate-places.png",
        "Bars: from which place of the candidate list words were taken, by condition.",
        "Each word counts once, at the place it was last taken from; choices that were undone do not count.",
    )
    return _StudySection("lists", "Candidate places", pictures=(picture,))


def _predicted(gaps: PredictionGaps) -> _StudySection:
    picture = report_picture(
        plot_predictions(gaps),
        "predictions.png",
        "What the ranking predicted beside what people did, by condition and measure.",
        "Hollow: the ranking's prediction. Filled: mean over participants with its 95 % t interval.",
    )
    table = _table("Predicted and measured", gaps.table(), gaps.notes())
    text = (
        "A ranking's typist makes no slips of attention and pauses for nothing; the gap says how far people were from "
        "it. Top-k of people: the share of the words taken from the list that stood among its first k."
    )
    return _StudySection("predictions", "Predicted and measured", (text,), (picture,), (table,))


def _workload(answers: Sequence[WorkloadAnswer]) -> _StudySection:
    table = _table(
        "Workload, 0 to 100 (NASA Task Load Index)",
        workload_summary(answers).table(),
        ("means over participants with 95 % t intervals; raw: mean of six; weighted: by 15 pairs",),
    )
    return _StudySection("workload", "Workload", tables=(table,))


def _touch_maps(
    logs: Sequence[StudyLog], measured: Measures, layouts: Mapping[str, Layout]
) -> _StudySection:
    pictures = []
    for i, condition in enumerate(measured.condition_names):
        try:
            figure = plot_touch_maps(logs, condition, layouts.get(condition))
        except StudyLogError:
            continue
        pictures.append(
            report_picture(
                figure,
                f"touches-{i + 1:02d}.png",
                f"Touches under {condition}: a row for each person, a column for each block.",
                f"Touches under {condition}, by person and block, coloured by the key the decoder took.",
                embed="png",
            )
        )
    return _StudySection("touches", "Touch maps", pictures=tuple(pictures))


def _limits(measured: Measures) -> _StudySection:
    people = len({one.participant for one in measured.participants})
    texts = [
        "Decide measures, conditions and number of participants before you look; Holm's method corrects for the pairs "
        "of one table, not for trying many measures.",
        "Wrong characters left in the text count towards speed as much as right ones: report both together.",
        "Student's t takes participants' figures for roughly normal. Read no speeds off a curve after the last block.",
    ]
    if people < 8:
        texts.append(
            f"With {people} participants an interval is wide and a check that finds nothing says little."
        )
    return _StudySection("limits", "What the numbers do not say", tuple(texts))
