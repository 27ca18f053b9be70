"""`nearkey rank PLAN.toml`"""

from __future__ import annotations

from dataclasses import fields
from importlib.resources import files as package_files
from pathlib import Path

import click

from nearkey.commands.shared import (
    FILE,
    FOLDER,
    KEPT_FILE,
    json_option,
    numbers,
    plan_pack,
    progress_bar,
    say,
    show,
)
from nearkey.errors import PlanError


@click.command(short_help="Rank the layouts of a plan by simulated typing.")
@click.argument("plan", type=FILE, required=False)
@click.option("--example", is_flag=True, help="Print a plan with every field explained, and stop.")
@click.option("--words", type=int, help="Words typed on each layout, instead of the plan's number.")
@click.option("--seed", type=int, help="Seed, instead of the plan's.")
@click.option("--workers", type=int, help="Threads; the table does not depend on them.")
@click.option("--limit", type=int, default=15, help="Rows of the table shown.")
@json_option("the rows")
@click.option(
    "--report",
    "folder",
    type=FOLDER,
    help="Folder of the report, instead of the plan's; one that is there is replaced.",
)
@click.option("--no-report", is_flag=True, help="Only the table.")
@click.option(
    "--matched-only", is_flag=True, help="Only the condition in which the decoder knows the hand."
)
@click.option(
    "--curves/--no-curves",
    default=True,
    help="The lead over the baseline against noise, with the report.",
)
@click.option("--checkpoint", type=KEPT_FILE, help="File that lets an interrupted run go on.")
@click.option(
    "--finger-widths",
    "widths",
    callback=numbers(float, "8,10,12 (millimetres)"),
    metavar="MM,MM,...",
    help="Rank once for each finger width, from the plan's touch logs; no report, no early stop.",
)
@click.option(
    "--finger-exponent",
    type=float,
    help="Spread grows as (finger width)^this; learnt from the logs without it.",
)
def rank(
    plan: str | None,
    example: bool,
    limit: int,
    as_json: bool,
    folder: str | None,
    no_report: bool,
    matched_only: bool,
    curves: bool,
    checkpoint: str | None,
    widths: list[float],
    finger_exponent: float | None,
    **instead: int | None,
) -> None:
    """Rank the layouts of PLAN (a TOML file) by simulating a typist against the decoder.

    People the decoder does not know exactly type too: those of the plan's touch logs, or invented ones.
    """
    if example:
        click.echo(
            package_files("nearkey.simulate").joinpath("example_plan.toml").read_text("utf-8"),
            nl=False,
        )
        return
    if plan is None:
        raise PlanError("no plan", where="PLAN", fix="name a TOML file; --example prints one")
    from nearkey.simulate import noise_curves, rank_by_width, rank_layouts
    from nearkey.simulate.plan_fingers import PlanFingers
    from nearkey.simulate.rank_plan import RankPlan
    from nearkey.simulate.simulation_options import SimulationOptions

    if not widths and finger_exponent is not None:
        raise PlanError(
            "speaks of fingers", where="--finger-exponent", fix="give --finger-widths too"
        )
    if widths and folder is not None:
        raise PlanError(
            "tells of one ranking, not of one for each finger",
            where="--report",
            fix="leave it out with --finger-widths",
        )
    with_report = not (no_report or widths)
    loaded = RankPlan.load(plan)
    target = Path(folder) if folder is not None else loaded.path.parent / loaded.file.report.folder
    if with_report:
        from nearkey.report.page_files import check_report_extra

        check_report_extra(target)  # before an hour of work, not after it
    settings = loaded.settings()
    settings |= {name: value for name, value in instead.items() if value is not None}
    if matched_only or widths:
        settings["people"] = None
    for warning in loaded.warnings:
        say(f"warning: {warning}", err=True)
    fingers = PlanFingers.of(loaded, exponent=finger_exponent) if widths else None
    pack = plan_pack(loaded.file.pack, plan)
    with progress_bar(loaded.file.name) as bar:
        settings |= {"pack": pack, "checkpoint": checkpoint}
        settings["progress"] = lambda p: bar(p.done, p.total)
        if fingers is not None:
            for name in ("early_stop", "people", "people_words"):
                del settings[name]  # every width needs every layout to the end
            settings["touch"] = fingers
            by_width = rank_by_width(loaded.layouts, widths_mm=widths, **settings)
        else:
            result = rank_layouts(loaded.layouts, **settings)
    for recording in loaded.recordings:
        if recording.cleaning is not None:
            say(str(recording.cleaning), err=True)
    if fingers is not None:
        say(fingers.note(widths), err=True)
        show(by_width.to_dicts(), str(by_width), as_json)
        return
    show(result.to_dicts(), result.table(limit), as_json)
    if with_report:
        from nearkey.report import rank_report

        found = None
        leader = next((r.layout for r in result.rows if r.layout != result.baseline), None)
        if curves and result.baseline is not None and leader is not None:
            names = {field.name for field in fields(SimulationOptions)}
            alike = {name: value for name, value in settings.items() if name in names}
            alike["words"] = min(settings["words"], 4000)
            with progress_bar(f"{loaded.file.name}, noise") as bar:
                alike["progress"] = lambda p: bar(p.done, p.total)
                found = noise_curves(
                    result.scored[leader].layout,
                    result.scored[result.baseline].layout,
                    touch={name: result.scored[name].touch for name in (leader, result.baseline)},
                    pack=pack,
                    by=result.by,
                    **alike,
                )
            say(str(found), err=as_json)
        made = rank_report(
            result,
            target,
            touches=loaded.recordings,
            pack=pack,
            lm_weight=loaded.file.lm_weight,
            title=loaded.file.report.title or loaded.file.name,
            curves=found,
            warnings=loaded.warnings,
        )
        click.echo(f"report: {made.page}", err=as_json)
