"""`nearkey pack start`: from texts to a recipe and a pack in one command."""

from __future__ import annotations

import os
from pathlib import Path

import click

from nearkey.commands.shared import refuse_to_overwrite

__all__ = ["start"]

_file = click.Path(dir_okay=False, path_type=Path)


@click.command("start", short_help="A pack of a language of your own, from texts.")
@click.argument("texts", type=_file, nargs=-1, required=True)
@click.option("-o", "--out", type=click.Path(file_okay=False, path_type=Path), required=True,
              help="Folder of the recipe, and of the pack in it.")  # fmt: skip
@click.option("--language", required=True, help="The language's tag: cy, is, pt-BR …")
@click.option("--name", help="Name of the pack; the language's tag by default.")
@click.option("--title", help="What people read of it.")
@click.option("--licence", default="not stated", show_default=True, help="Of texts and pack.")
@click.option("--alphabet", help="Letters, lower case; by default those that the texts use.")
@click.option("--fold-accents", is_flag=True, help="Take café and cafe for one word.")
@click.option(
    "--kind", default="lines", show_default=True, help="Kind of the texts: csv, json, arrow, mail …"
)
@click.option("--column", default="text", show_default=True, help="Their text column, in tables.")
@click.option(
    "--spelling", type=_file, multiple=True, help="List of words, one a line (hunspell's too)."
)
@click.option("--frequencies", type=_file, multiple=True, help="List of words and counts.")
@click.option("--wheel", type=click.Path(file_okay=False),
              help="Also write an installable wheel into this folder.")  # fmt: skip
@click.option("--recipe-only", is_flag=True, help="Write the recipe, and build nothing yet.")
@click.option("--force", is_flag=True, help="Replace a recipe and a pack that are there.")
@click.pass_context
def start(
    context: click.Context,
    texts: tuple[Path, ...],
    out: Path,
    language: str,
    name: str | None,
    title: str | None,
    licence: str,
    alphabet: str | None,
    fold_accents: bool,
    kind: str,
    column: str,
    spelling: tuple[Path, ...],
    frequencies: tuple[Path, ...],
    wheel: str | None,
    recipe_only: bool,
    force: bool,
) -> None:
    """Draft a recipe for TEXTS in a language of your own, and build its pack.

    The pack holds words and word sequences of your texts. If they are private, so is the pack: do not
    pass it on without the consent of the people whose words it holds.
    """
    from nearkey.commands.pack import pack_build
    from nearkey.errors import PackError
    from nearkey.files import atomic_path
    from nearkey.packs.recipe import read_recipe
    from nearkey.packs.starter import draft_recipe, too_little_text

    path = out / "recipe.toml"
    refuse_to_overwrite(path, force)
    replaced = path.exists()
    refuse_to_overwrite(out / "pack", force or recipe_only)
    drafted = draft_recipe(
        texts,
        out,
        language=language,
        name=name,
        title=title,
        licence=licence,
        alphabet=alphabet,
        fold_accents=fold_accents,
        kind=kind,
        column=column,
        spelling=spelling,
        frequencies=frequencies,
    )
    with atomic_path(path) as temporary:  # which keeps what was there, should the draft be faulty
        temporary.write_text(drafted, "utf-8")
        try:
            recipe = read_recipe(temporary)
        except PackError as fault:
            raise PackError(
                fault.problem, where="the recipe drafted", field=fault.field, fix=fault.fix
            ) from None
    click.echo(f"recipe    {os.fspath(path)}")
    click.echo(f"alphabet  {recipe.alphabet}")
    click.echo(f"short     {' '.join(recipe.lexicon.always)}")
    if recipe_only:
        return
    try:
        context.invoke(pack_build, source=os.fspath(path), wheel=wheel, force=force)
    except PackError as fault:
        little = too_little_text(fault, texts)
        if little is None:
            raise  # the recipe stays: it may be what has to be mended
        if not replaced:  # of no use for more text, and in the way of the next try
            path.unlink()
        raise little from None
