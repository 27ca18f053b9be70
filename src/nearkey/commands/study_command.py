"""`nearkey study …`: transcription studies from a plan to a report."""

from __future__ import annotations

import math
from typing import Any

import click

from nearkey.commands.lab_command import forget
from nearkey.commands.shared import (
    FILE,
    FOLDER,
    compared_options,
    fit_option,
    json_option,
    numbers,
    output_option,
    say,
    show,
)
from nearkey.commands.study_run_command import pads_of, study_run
from nearkey.errors import PlanError, StudyLogError
from nearkey.files import atomic_write, read_text


@click.group()
def study() -> None:
    """Transcription studies: phrases, plan, power, sittings, measures, report.

    Study logs hold what people typed: keep them private, and follow your ethics board's rules.
    """


@study.command("phrases", short_help="Draw the phrases of a study from a text.")
@click.argument("source")
@click.option("-n", "--phrases", type=int, required=True, help="How many.")
@click.option("--seed", type=int, required=True, help="Of the draw.")
@click.option("--chars", nargs=2, type=int, default=(16, 43), help="Fewest and most characters.")
@click.option("--words", nargs=2, type=int, default=(3, 9), help="Fewest and most words.")
@click.option(
    "--keep-case", is_flag=True, help="Keep capitals; without, phrases are in lower case."
)
@click.option(
    "--pack", help="A language pack; lines with a word rarer than one in a million are dropped."
)
@click.option(
    "--exclude",
    type=FILE,
    help="Phrases of an earlier study, one a line, which are not drawn again.",
)
@output_option("Write the phrases here, one a line.", required=True)
def study_phrases(
    source: str,
    phrases: int,
    seed: int,
    chars: tuple[int, int],
    words: tuple[int, int],
    keep_case: bool,
    pack: str | None,
    exclude: str | None,
    output: str,
) -> None:
    """Draw phrases from SOURCE: a text file, a folder, or a library's corpus (nltk:NAME).

    Read every phrase before you show it: text from mail or notes is private.
    """
    from nearkey.language.reading.corpus import read_corpus
    from nearkey.study import draw_phrases

    unigram = None
    if pack is not None:
        from nearkey.language import load_pack

        lexicon = load_pack(pack).lexicon

        def unigram(word: str) -> float:
            index = lexicon.index(word)
            return -math.inf if index is None else float(lexicon.log_probs[index])

    _, lines = read_corpus(source)
    drawn = draw_phrases(
        lines,
        phrases,
        seed=seed,
        min_chars=chars[0],
        max_chars=chars[1],
        min_words=words[0],
        max_words=words[1],
        lower=not keep_case,
        unigram=unigram,
        exclude=() if exclude is None else read_text(exclude, PlanError).splitlines(),
    )
    with atomic_write(output) as file:
        file.writelines(f"{phrase}\n" for phrase in drawn.phrases)
    say(str(drawn))


@study.command("plan", short_help="Balanced orders of conditions, blocks, phrases.")
@click.argument("phrases", type=FILE)
@click.option(
    "--participants", required=True, help="Pseudonyms parted by commas, or how many (p1, p2, …)."
)
@click.option("--conditions", required=True, help="Names parted by commas.")
@click.option("--seed", type=int, required=True, help="Of everything drawn.")
@click.option("--blocks", type=int, default=4, help="Under each condition.")
@click.option("--per-block", "phrases_per_block", type=int, default=10, help="Phrases of a block.")
@click.option(
    "--practice",
    "practice_phrases",
    type=int,
    default=2,
    help="Phrases before a condition's first block.",
)
@click.option("--rest", "rest_s", type=float, default=120.0, help="Seconds before each block.")
@output_option("Write the plan here (JSON).", required=True)
def study_plan(
    phrases: str, participants: str, conditions: str, output: str, **options: Any
) -> None:
    """Plan who types which of the PHRASES (a file, one a line) under which condition, and when."""
    from nearkey.study import plan_study

    people = (
        [f"p{i + 1}" for i in range(int(participants))]
        if participants.isdigit()
        else _names(participants)
    )
    pool = [line.strip() for line in read_text(phrases, PlanError).splitlines() if line.strip()]
    plan = plan_study(people, _names(conditions), pool, **options)
    plan.write(output)
    say(str(plan))


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


_sizes = numbers(int, "6,8,12")


@study.command("power", short_help="How many people, phrases and blocks a difference takes.")
@click.argument("pilot", nargs=-1, type=FILE)
@click.option("--metric", default="wpm", help="Which measure.")
@click.option("--difference", type=float, required=True, help="To find, in the measure's unit.")
@click.option("--conditions", type=int, default=2, help="How many will be compared.")
@click.option(
    "--participants",
    default="6,8,12,16,24",
    callback=_sizes,
    help="Numbers to try, parted by commas.",
)
@click.option("--blocks", default="4", callback=_sizes, help="Blocks under each condition to try.")
@click.option("--phrases", default="10", callback=_sizes, help="Phrases in a block to try.")
@click.option("--mean", type=float, help="Stated in the place of a pilot: the measure's mean.")
@click.option("--sd-participant", type=float, help="Stated: between participants.")
@click.option(
    "--sd-condition", type=float, help="Stated: between participants in what a condition does."
)
@click.option("--sd-phrase", type=float, help="Stated: between phrases.")
@click.option("--sd-residual", type=float, help="Stated: of one phrase typed once.")
@click.option("--alpha", type=float, default=0.05, help="Level of the tests.")
@click.option("--simulations", type=int, default=1000, help="Studies drawn for each row.")
@click.option(
    "--mixed",
    "mixed_simulations",
    type=int,
    default=0,
    help="Of these through the mixed-effects model, a second each.",
)
@click.option("--seed", type=int, default=0, help="Of the draws.")
@json_option("the table")
def study_power_command(
    pilot: tuple[str, ...],
    metric: str,
    as_json: bool,
    **options: Any,
) -> None:
    """Simulate studies of each size and count how often the tests that will be reported find the difference.

    Variances come from the logs of a PILOT study (two participants and two conditions at least) through the
    mixed-effects model, or are stated; a stated one goes before the pilot's.
    """
    from nearkey.study import StudyTruth, study_power, truth_from_pilot

    needed = ("mean", "sd_participant", "sd_condition", "sd_phrase", "sd_residual")
    stated = {name: value for name in needed if (value := options.pop(name)) is not None}
    if pilot:
        from nearkey.study import StudyLog, condition_orders, measures, observations

        logs = [StudyLog.read(path) for path in pilot]
        data = observations(measures(logs), metric, orders=condition_orders(logs))
        truth = StudyTruth(**(truth_from_pilot(data).to_dict() | stated))
    else:
        missing = [f"--{name.replace('_', '-')}" for name in needed if name not in stated]
        if missing:
            raise PlanError(
                f"lacks {', '.join(missing)}",
                where="study power",
                fix="state them, or name the logs of a pilot study",
            )
        truth = StudyTruth(**stated)
    table = study_power(truth, metric=metric, **options)
    show(table.to_dict(), str(table), as_json)


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
    data = found.to_dict()
    if curve is not None:
        data["curve"] = [row for one in curves for row in one.to_dicts()]
    if pairs is not None:
        data["compare"] = pairs.to_dicts()
    parts = [found, *curves, *([] if pairs is None else [pairs])]
    show(data, "\n\n".join(map(str, parts)), as_json)


@study.command("report", short_help="Write a study's report: page, pictures, tidy tables.")
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


study.add_command(study_run)
study.add_command(forget)
