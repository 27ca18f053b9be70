"""`nearkey study report`: the page, pictures and tidy tables of a study."""

from __future__ import annotations

from typing import Any

import click

from nearkey.commands.shared import FILE, FOLDER, compared_options, fit_option
from nearkey.commands.study_run_command import pads_of


@click.command("report", short_help="Write a study's report: page, pictures, tidy tables.")
@click.argument("logs", nargs=-1, required=True, type=FILE)
@click.option("-o", "--output", "folder", type=FOLDER, required=True, help="Folder of the report.")
@click.option("--plan", type=FILE, help="The study's plan, which tells the order of conditions.")
@click.option(
    "--metric",
    "metrics",
    multiple=True,
    default=("wpm", "total_error_percent"),
    help="A measure for curves and tests; may be said more than once.",
)
@click.option(
    "--pad",
    "pads",
    multiple=True,
    metavar="CONDITION=LAYOUT",
    help="The layout of a condition, drawn below its touches; of the catalogue, or a file.",
)
@fit_option
@click.option("--ranking", type=FILE, help="A ranking's JSON, set beside what people did.")
@click.option(
    "--workload",
    type=FILE,
    multiple=True,
    help="Answers of the workload questionnaire; may be said more than once.",
)
@compared_options
@click.option("--texts", is_flag=True, help="Keep what was typed in phrases.csv: private.")
@click.option("--title", default="Study report", help="Heading of the page.")
def study_report_command(
    logs: tuple[str, ...],
    folder: str,
    plan: str | None,
    pads: tuple[str, ...],
    fit_mm: tuple[float, float] | None,
    ranking: str | None,
    workload: tuple[str, ...],
    **options: Any,
) -> None:
    """Write the report of a study from its LOGS: report.html, pictures as PNG, tables as CSV and Parquet."""
    from nearkey.study import StudyLog, StudyPlan, read_workload_answers
    from nearkey.study.prediction_gap import read_predictions

    read = [StudyLog.read(path) for path in logs]
    conditions = sorted({log.header.condition for log in read})
    layouts = pads_of(conditions, pads, fit_mm, source="the logs", own_names=False)
    planned = None if plan is None else StudyPlan.read(plan)
    predictions = () if ranking is None else read_predictions(ranking)
    answers = read_workload_answers(*workload) if workload else ()

    from nearkey.report.study_page import study_report
    from nearkey.study.tidy_tables import has_parquet

    made = study_report(
        read,
        folder,
        plan=planned,
        layouts=layouts,
        predictions=predictions,
        workload=answers,
        **options,
    )
    click.echo(f"report: {made.page}")
    if not has_parquet():
        click.echo("no Parquet files: pip install 'nearkey[data]' to have them", err=True)
