"""`nearkey study …`: the measures of transcription studies."""

from __future__ import annotations

import click

from nearkey.commands.shared import json_text

__all__ = ["study"]


@click.group()
def study() -> None:
    """Measures of transcription studies, from their logs alone.

    Study logs hold what people typed: keep them private, and follow your ethics board's rules.
    """


@study.command("measures")
@click.argument("logs", nargs=-1, required=True, type=click.Path(dir_okay=False))
@click.option(
    "--selection",
    type=click.Choice(["entry", "fix"]),
    default="entry",
    show_default=True,
    help="Whether accepting a candidate that changes the word counts as entry or as a correction.",
)
@click.option("--practice", is_flag=True, help="Count practice phrases as well.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def study_measures(logs: tuple[str, ...], selection: str, practice: bool, as_json: bool) -> None:
    """Words per minute, KSPC, error rates and more of one or more LOGS."""
    from nearkey.study import StudyLog, measures

    read = [StudyLog.read(path) for path in logs]
    for path, log in zip(logs, read, strict=True):
        if log.torn is not None:
            click.echo(
                f"nearkey: {path}: last line torn (the program was stopped while writing); left out",
                err=True,
            )
    found = measures(read, selection=selection, practice=practice)  # type: ignore[arg-type]
    click.echo(json_text(found.to_dict()) if as_json else str(found))
