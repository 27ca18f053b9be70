"""`nearkey study phrases`, `plan` and `power`: what comes before a study."""

from __future__ import annotations

import math
from typing import Any

import click

from nearkey.commands.shared import (
    FILE,
    json_option,
    numbers,
    output_option,
    say,
    show,
)
from nearkey.errors import PlanError
from nearkey.files import atomic_write, read_text


@click.command("phrases", short_help="Draw the phrases of a study from a text.")
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


@click.command("plan", short_help="Balanced orders of conditions, blocks, phrases.")
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


@click.command("power", short_help="How many people, phrases and blocks a difference takes.")
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
