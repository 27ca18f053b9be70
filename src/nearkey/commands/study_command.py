"""`nearkey study …`: transcription studies from a plan to a report."""

from __future__ import annotations

from typing import Any

import click

from nearkey.commands.lab_command import forget
from nearkey.commands.shared import (
    FILE,
    compared_options,
    json_option,
    json_text,
    say,
)
from nearkey.commands.study_plan_command import study_phrases, study_plan, study_power_command
from nearkey.commands.study_report_command import study_report_command
from nearkey.commands.study_run_command import study_run
from nearkey.errors import StudyLogError


@click.group()
def study() -> None:
    """Transcription studies: phrases, plan, power, sittings, measures, report.

    Study logs hold what people typed: keep them private, and follow your ethics board's rules.
    """


for _command in (study_phrases, study_plan, study_power_command, study_report_command, study_run):
    study.add_command(_command)


@study.command("measures", short_help="Speed, keystrokes, errors, learning curves.")
@click.argument("logs", nargs=-1, required=True, type=FILE)
@click.option(
    "--selection",
    type=click.Choice(["entry", "fix"]),
    default="entry",
    help="Whether accepting a candidate that changes the word counts as entry or as a correction.",
)
@compared_options
@click.option("--practice", is_flag=True, help="Count practice phrases as well.")
@click.option(
    "--interrupted", is_flag=True, help="Count phrases that a crash or reload broke into."
)
@click.option(
    "--curve", metavar="MEASURE", help="Also its learning curves over blocks, such as wpm."
)
@click.option("--compare", metavar="MEASURE", help="Also the conditions against each other in it.")
@json_option("everything, the texts typed included,")
def study_measures(
    logs: tuple[str, ...],
    curve: str | None,
    compare: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Words per minute, KSPC, error rates and more of one or more LOGS."""
    from nearkey.study import StudyLog, compare_conditions, learning_curve, measures

    read = [StudyLog.read(path) for path in logs]
    for path, log in zip(logs, read, strict=True):
        if log.truncated is not None:
            click.echo(
                f"nearkey: {path}: last record truncated (the program was stopped while writing); "
                "left out",
                err=True,
            )
    found = measures(read, **options)
    if not found.phrases:
        why = f"left out: {found.reasons}" if found.left_out else "no trials"
        raise StudyLogError(
            f"no finished phrase to measure ({why})",
            where=", ".join(logs),
            fix="give logs with trials that end, or count practice with --practice",
        )
    curves = (
        []
        if curve is None
        else [learning_curve(found, metric=curve, condition=c.condition) for c in found.conditions]
    )
    pairs = None if compare is None else compare_conditions(found, compare)
    if as_json:
        data = found.to_dict()
        if curve is not None:
            data["curve"] = [row for one in curves for row in one.to_dicts()]
        if pairs is not None:
            data["compare"] = pairs.to_dicts()
        click.echo(json_text(data))
        return
    parts = [found, *curves, *([] if pairs is None else [pairs])]
    say("\n\n".join(map(str, parts)))


study.add_command(forget)
