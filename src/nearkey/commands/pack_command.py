"""`nearkey pack …`: build, check, describe, compare and wrap language packs."""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from nearkey.commands.shared import (
    FILE,
    FOLDER,
    NamedPath,
    is_stream,
    json_option,
    json_text,
    output_option,
    progress_bar,
    refuse_to_overwrite,
    say,
    show,
    show_fields,
)
from nearkey.errors import PackError, harmless
from nearkey.files import unwritten
from nearkey.text_table import text_table

if TYPE_CHECKING:
    from nearkey.packs import BuildProgress
    from nearkey.packs.arpa import PlainModel

T = TypeVar("T")

_path = NamedPath(dir_okay=False, path_type=Path)
_allow_outside_option = click.option(
    "--allow-outside",
    is_flag=True,
    help="Let the recipe's patterns lead out of its folder: for recipes of your own.",
)


@click.group(short_help="Build, check and compare language packs.")
def pack() -> None:
    """Build language packs from recipes, check them, compare them, make them installable."""


def _run(steps: Generator[BuildProgress, None, T], label: str) -> T:
    """Drive a build and show its stages; its report."""

    def show(step: BuildProgress) -> None:
        bar(step.done, step.total)
        if step.note:
            say(harmless(f"{step.stage}: {step.note}"), err=True)

    from nearkey.packs import finished

    with progress_bar(label) as bar:
        return finished(steps, on_step=show)


@pack.command("build", short_help="Build the pack of a recipe, or adapt a pack.")
@click.argument("source")
@click.option(
    "-o",
    "--output",
    type=FOLDER,
    help="Folder of the pack; `pack` beside the recipe by default.",
)
@click.option(
    "--data",
    type=FOLDER,
    envvar="NEARKEY_DATA",
    help="Folder of the corpora that no registry carries (or NEARKEY_DATA).",
)
@click.option(
    "--cache",
    type=FOLDER,
    envvar="NEARKEY_CACHE",
    help="Where fetched packages and texts already read are kept; delete it after private texts.",
)
@click.option("--keep-texts", is_flag=True,
              help="Also keep what was read of texts beside the recipe, for an interrupted build.")  # fmt: skip
@_allow_outside_option
@click.option(
    "--adapt",
    "texts",
    type=FILE,
    multiple=True,
    help="In-domain text to mix in; SOURCE is then a pack. May be given more than once.",
)
@click.option("--kind", default="lines", help="Kind of the --adapt texts.")
@click.option("--column", default="text", help="Their text column, in tables.")
@click.option("--encoding", default="utf-8", help="Their encoding.")
@click.option("--name", help="Name of the adapted pack.")
@click.option(
    "--share",
    "in_domain_share",
    type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
    default=0.5,
    help="Part of what will be typed that is like the --adapt texts.",
)
@click.option("--context-model", type=FOLDER,
              help="Folder of a trained context model (see `pack train`), or of a pack with one.")  # fmt: skip
@click.option("--wheel", type=FOLDER, help="Also write an installable wheel into this folder.")
@click.option("--memory-mb", type=click.IntRange(16), default=1024,
              help="Memory for counting; a text that needs more is counted on the disk.")  # fmt: skip
@json_option("the report")
@click.option("--force", is_flag=True, help="Replace a pack that is there.")
def pack_build(
    source: str,
    output: str | None,
    texts: tuple[str, ...],
    wheel: str | None,
    memory_mb: int,
    as_json: bool,
    force: bool,
    quiet: bool = False,
    **options: Any,
) -> dict[str, Any]:
    """Build the pack of the recipe SOURCE, or adapt the pack SOURCE to text of your own.

    An adapted pack holds words and word sequences of your text. If the text is private, so is the pack:
    do not pass it on without the consent of the people whose words it holds.
    """
    from nearkey.packs.adapt import adapt_pack
    from nearkey.packs.builder import build_pack

    if texts and output is None:
        raise PackError("names no folder to build into", where="--adapt", fix="say -o FOLDER")
    target = Path(source).parent / "pack" if output is None else Path(output)
    refuse_to_overwrite(target, force)
    summary = {"pack": os.fspath(target)}
    of_texts = ("kind", "column", "encoding", "name", "in_domain_share")
    adapt = {name: options.pop(name) for name in of_texts}
    if texts:
        adapting = adapt_pack(source, texts, target, **adapt)
        summary |= _run(adapting, f"adapt {source}").summary()
    else:
        building = build_pack(source, target, max_bytes=memory_mb << 20, **options)
        summary |= _run(building, f"build {source}").summary()
    if wheel is not None:
        from nearkey.packs.pack_folder import write_wheel

        summary["wheel"] = os.fspath(write_wheel(target, wheel))
    if not quiet:
        show_fields(summary, as_json)
    return summary


@pack.command("train", short_help="Train the context model of a pack.")
@click.argument("recipe", type=FILE)
@click.option("--pack", "name", required=True, help="The pack whose words it predicts.")
@click.option("-o", "--output", type=FOLDER, required=True,
              help="Folder of the model, its text as tokens, and its checkpoint.")  # fmt: skip
@click.option("--data", type=FOLDER, help="Folder of the corpora that no registry carries.")
@click.option("--cache", type=FOLDER, help="Where fetched packages and readings are kept.")
@click.option("--minutes", type=click.FloatRange(min=0, min_open=True), default=18.0,
              show_default=True, help="Of training, without compiling and measuring.")  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--set", "settings", multiple=True, metavar="NAME=VALUE",
              help="Another setting of the trainer: cells=512, width=128, steps=2000 …")  # fmt: skip
@click.option("--tokens-only", is_flag=True, help="Write the text as tokens, to train elsewhere.")
@json_option("the report")
@_allow_outside_option
def pack_train(
    recipe: str,
    name: str,
    output: str,
    minutes: float,
    seed: int,
    settings: tuple[str, ...],
    tokens_only: bool,
    as_json: bool,
    **sources: Any,
) -> None:
    """Train a network that predicts words from all text before them, on the text of RECIPE.

    Needs the extra `train`, and for more than a toy a GPU that jax finds. An interrupted training goes on where it
    was when the same command is given again. `pack build --context-model` makes the model part of a pack.
    """
    from nearkey.packs.context_data import training_options, write_training_data

    folder = Path(output)
    tokens = folder / "tokens"
    if not (tokens / "data.json").is_file():
        _run(write_training_data(recipe, name, tokens, **sources), f"read {recipe}")
    if tokens_only:
        click.echo(os.fspath(tokens))
        return
    try:
        from nearkey.packs.context_training.training_data import Options, TrainingError, read_data
        from nearkey.packs.context_training.training_run import train
    except ImportError as fault:
        raise PackError(
            f"cannot be trained: {fault}", where=recipe, fix="pip install 'nearkey[train]'"
        ) from None
    options = training_options(Options, settings, minutes=minutes, seed=seed)
    try:
        report = train(
            read_data(tokens),
            options,
            folder,
            checkpoint=folder / "checkpoint",
            say=lambda line: click.echo(line, err=True),
        )
    except TrainingError as fault:
        raise PackError(str(fault), where=folder, fix="or train in another folder") from None
    except OSError as fault:
        raise unwritten(fault, folder, PackError) from None
    shown = ("steps", "tokens_seen", "trained_s", "device", "bytes_8_bits")
    show_fields({name: report[name] for name in shown}, as_json)


@pack.command("check", short_help="Check a pack through.")
@click.argument("name")
@json_option("the report")
def pack_check(name: str, as_json: bool) -> None:
    """Check a pack through: all checksums, all tables, probabilities that sum to 1."""
    from nearkey.packs.evaluate import inspect_pack

    show_fields(inspect_pack(name).summary(), as_json)


@pack.command("info", short_help="What a pack is; or which there are.")
@click.argument("name", required=False)
@json_option("the fields")
def pack_info(name: str | None, as_json: bool) -> None:
    """Show what a pack is and where it comes from; without a name, list the packs found."""
    import msgspec

    from nearkey.language.info import read_info
    from nearkey.language.pack import find_pack, installed_packs

    if name is None:
        show_fields({key: os.fspath(folder) for key, folder in installed_packs().items()}, as_json)
        return
    folder = find_pack(name)
    info = read_info(folder)
    if as_json:
        click.echo(json_text(msgspec.to_builtins(info)))
        return
    fields = ("licence", "alphabet", "words", "ngrams", "letter_ngrams", "training_words")
    show_fields(
        {
            "name": f"{info.name} {info.version}",
            "title": info.title,
            "language": info.language,
            "folder": os.fspath(folder),
            **{field: getattr(info, field) for field in fields},
            "bytes": info.n_bytes,
        },
        as_json=False,
    )
    for record in info.held_out:
        say(
            f"held out: {harmless(record.title)}: perplexity {record.perplexity}"
            f" (with numbers and sentence ends {record.perplexity_with_ends}),"
            f" unknown words {record.oov_rate:.2%}"
        )
    for source in info.sources:
        say(f"source: {harmless(source.title)} ({harmless(source.licence)}), {source.words} words")


@pack.command("compare", short_help="Compare packs on a text of neither.")
@click.argument("names", nargs=-1, required=True)
@click.option("--text", "texts", type=FILE, multiple=True, required=True, help="Held-out text.")
@click.option("--kind", default="lines", help="Kind of the text.")
@click.option("--column", default="text", help="Its text column, in tables.")
@click.option("--encoding", default="utf-8", help="Its encoding.")
@json_option("the rows")
def pack_compare(
    names: tuple[str, ...],
    texts: tuple[str, ...],
    kind: str,
    column: str,
    encoding: str,
    as_json: bool,
) -> None:
    """Compare packs on a text that none of them was built from; the best comes first.

    Bits per letter judges: it counts everything, unknown words by their spelling, so it compares packs with
    different lexicons. Perplexity leaves unknown words out: a pack that knows fewer words looks better by it.
    """
    from nearkey.language import load_pack
    from nearkey.language.reading.corpus import read_lines
    from nearkey.language.reading.textfiles import ReadOptions, ReadReport
    from nearkey.packs.evaluate import score_text

    options = ReadOptions(encoding, column=column)
    lines = list(read_lines([Path(text) for text in texts], kind, options, ReadReport()))
    rows: list[dict[str, Any]] = []
    for name in names:
        loaded = load_pack(name)
        score = score_text(loaded, lines)
        rows.append(
            {
                "pack": name,
                "bits_per_letter": round(score.bits_per_letter, 4),
                "perplexity": round(score.perplexity, 1),
                "perplexity_with_ends": round(score.perplexity_with_ends, 1),
                "oov_rate": round(score.oov_rate, 4),
                "words": len(loaded.lexicon),
                "bytes": loaded.info.n_bytes,
            }
        )
    rows.sort(key=lambda row: row["bits_per_letter"])
    show(rows, text_table(list(rows[0]), [list(row.values()) for row in rows]), as_json)
    if len(rows) > 1 and not as_json:
        best, second = rows[:2]
        fewer = second["bits_per_letter"] - best["bits_per_letter"]
        if fewer > 0:
            click.echo(f"best: {best['pack']}, by {fewer:.4f} bits a letter")
        else:
            click.echo(f"none is better: {best['pack']} and {second['pack']} need the same bits")


@pack.command("dist", short_help="Wrap a pack as a wheel.")
@click.argument("name")
@click.option("-o", "--output", type=FOLDER, required=True, help="Folder of the wheel.")
def pack_dist(name: str, output: str) -> None:
    """Wrap a pack as a wheel that pip installs; `load_pack` then finds it by name."""
    from nearkey.language.pack import find_pack
    from nearkey.packs.pack_folder import write_wheel

    click.echo(os.fspath(write_wheel(find_pack(name), output)))


def _save(made: PlainModel, output: str, as_json: bool) -> None:
    """Save a model, and say how many n-grams it has where it does not go to standard output itself."""
    made.save(output)
    if not is_stream(output):
        sizes = made.model.tree.sizes()
        written = {f"{n}-grams": s for n, s in enumerate(sizes, start=1)}
        show_fields({"output": output, **written}, as_json)


@pack.command("export", short_help="Write a pack's n-grams as ARPA.")
@click.argument("name")
@output_option("ARPA file to write.", "--arpa", required=True, suffix=".arpa")
@json_option("how many n-grams were written")
def pack_export(name: str, output: str, as_json: bool) -> None:
    """Write the n-gram table of a pack as an ARPA file, which other language-model tools read.

    Words are spelled as the lexicon spells them, numbers are <num>. The table's own probabilities are written; a
    context model, where the pack has one, is no part of it.
    """
    from nearkey.language import load_pack
    from nearkey.packs.arpa import exported_model

    _save(exported_model(load_pack(name)), output, as_json)


@pack.command("estimate", short_help="Estimate a model of a text, as ARPA.")
@click.argument("text", type=FILE)
@output_option("ARPA file to write.", required=True)
@click.option("--order", type=click.IntRange(1, 5), default=3)
@click.option("--memory-mb", type=click.IntRange(16), default=1024,
              help="Memory for counting; beyond it, sorted pieces go to disk.")  # fmt: skip
@json_option("how many n-grams were written")
def pack_estimate(text: str, output: str, order: int, memory_mb: int, as_json: bool) -> None:
    """Estimate a Kneser-Ney model of TEXT (one sentence a line, tokens between spaces) as ARPA.

    What is counted on the disk lies in OUTPUT.counts until the file is made; run again after an interruption,
    it goes on from there.
    """
    from nearkey.packs.arpa import estimate_file

    with progress_bar(f"estimate {text}") as bar:
        made = estimate_file(
            text,
            order=order,
            max_bytes=memory_mb << 20,
            workers=os.cpu_count() or 1,
            work=f"{output}.counts",
            progress=lambda step: bar(step.done, step.total),
        )
    _save(made, output, as_json)


@pack.command("start", short_help="A pack of a language of your own, from texts.")
@click.argument("texts", type=_path, nargs=-1, required=True)
@click.option("-o", "--output", type=NamedPath(file_okay=False, path_type=Path), required=True,
              help="Folder of the recipe, and of the pack in it.")  # fmt: skip
@click.option("--language", required=True, help="The language's tag: cy, is, pt-BR …")
@click.option("--name", help="Name of the pack; the language's tag by default.")
@click.option("--title", help="What people read of it.")
@click.option("--licence", default="not stated", help="Of texts and pack.")
@click.option("--alphabet", help="Letters, lower case; by default those that the texts use.")
@click.option("--fold-accents", is_flag=True, help="Take café and cafe for one word.")
@click.option("--kind", default="lines", help="Kind of the texts: csv, json, arrow, mail …")
@click.option("--column", default="text", help="Their text column, in tables.")
@click.option("--encoding", default="utf-8", help="Encoding of the texts and of plain lists.")
@click.option(
    "--spelling", type=_path, multiple=True, help="List of words, one a line (hunspell's too)."
)
@click.option("--frequencies", type=_path, multiple=True, help="List of words and counts.")
@click.option("--wheel", type=FOLDER,
              help="Also write an installable wheel into this folder.")  # fmt: skip
@click.option("--recipe-only", is_flag=True, help="Write the recipe, and build nothing yet.")
@json_option("recipe, report and verdict")
@click.option("--force", is_flag=True, help="Replace a recipe and a pack that are there.")
@click.pass_context
def pack_start(
    context: click.Context,
    /,
    texts: tuple[Path, ...],
    output: Path,
    wheel: str | None,
    recipe_only: bool,
    as_json: bool,
    force: bool,
    **draft: Any,
) -> None:
    """Draft a recipe for TEXTS in a language of your own, and build its pack.

    The pack holds words and word sequences of your texts. If they are private, so is the pack: do not
    pass it on without the consent of the people whose words it holds.
    """
    from nearkey.packs.starter import judge_pack, start_recipe, too_little_text

    path = output / "recipe.toml"
    refuse_to_overwrite(path, force)
    replaced = path.exists()
    refuse_to_overwrite(output / "pack", force or recipe_only)
    recipe = start_recipe(path, texts, **draft)
    drafted = {"recipe": os.fspath(path), "alphabet": recipe.alphabet}
    drafted["short"] = " ".join(recipe.lexicon.always)
    if recipe_only or not as_json:
        show_fields(drafted, as_json)
    if recipe_only:
        return
    try:
        report = context.invoke(
            pack_build,
            source=os.fspath(path),
            wheel=wheel,
            force=force,
            allow_outside=True,
            quiet=as_json,
        )
    except PackError as fault:
        little = too_little_text(fault, texts)
        if little is None:
            raise  # the recipe stays: it may be what has to be corrected
        if not replaced:  # of no use for more text, and in the way of the next try
            path.unlink()
        raise little from None
    verdict = judge_pack(path, output / "pack").summary()
    show_fields({**drafted, **report, "verdict": verdict} if as_json else verdict, as_json)
