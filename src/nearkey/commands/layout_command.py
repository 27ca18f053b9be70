"""`nearkey layout …`"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from nearkey.commands.shared import (
    FOLDER,
    fit_option,
    force_option,
    json_option,
    json_text,
    named_or_file,
    output_option,
    refuse_to_overwrite,
    say_written,
    show,
)
from nearkey.errors import LayoutError, NearkeyError
from nearkey.extras import library
from nearkey.files import atomic_write
from nearkey.layout import catalogue_names, count_grids, grid_layouts


@click.group()
def layout() -> None:
    """Describe, check, draw and enumerate layouts."""


@layout.command("list")
@json_option("the names")
def layout_list(as_json: bool) -> None:
    """Names of the public arrangements that come with nearkey."""
    show(catalogue_names(), "\n".join(catalogue_names()), as_json)


@layout.command("check")
@click.argument("specs", nargs=-1, required=True)
@json_option("what is found")
def layout_check(specs: tuple[str, ...], as_json: bool) -> None:
    """Check layout specs, each to its first fault."""
    rows: list[dict[str, Any]] = []
    for name in specs:
        try:
            found = named_or_file(name)
        except NearkeyError as fault:
            click.echo(f"nearkey: {fault}", err=True)
            rows.append({"spec": name, "fault": str(fault)})
            continue
        keys, letters = len(found.keys), len(found.letters)
        size = {"width_mm": found.width_mm, "height_mm": found.height_mm}
        rows.append({"spec": name, "name": found.name, "keys": keys, "letters": letters, **size})
        if not as_json:
            click.echo(
                f"{name}: {found.name}, {keys} keys, {letters} letters, "
                f"{found.width_mm:g} x {found.height_mm:g} mm"
            )
    if as_json:
        click.echo(json_text(rows))
    if any("fault" in row for row in rows):
        raise SystemExit(2)


@layout.command("draw")
@click.argument("spec")
@output_option(
    "Picture: .svg, .png or .pdf; SVG on standard output without it.", suffix=".svg", picture=True
)
def layout_draw(spec: str, output: str | None) -> None:
    """Draw a layout (a spec file or a name of the catalogue)."""
    if output is None:
        click.echo(named_or_file(spec).to_svg())
        return
    if Path(output).suffix.lower() == ".svg":
        with atomic_write(output) as file:
            file.write(named_or_file(spec).to_svg())
    else:
        library("matplotlib", extra="report", where=output)
        from nearkey.report import plot_layout, save_figure

        save_figure(plot_layout(named_or_file(spec)), output)
    say_written(output)


@layout.command("new")
@click.argument("base", default="qwerty")
@fit_option
@click.option("--rows", type=int, help="With --columns: cells down, letters grouped on them.")
@click.option("--columns", type=int, help="With --rows: cells across.")
@click.option("--name", help="Name of the new layout.")
@output_option("Spec file (TOML); standard output without it.", suffix=".toml")
def layout_new(
    base: str,
    fit_mm: tuple[float, float] | None,
    rows: int | None,
    columns: int | None,
    name: str | None,
    output: str | None,
) -> None:
    """Write a spec to start from: BASE (a name of the catalogue, or a spec), fitted and grouped as asked.

    Move keys and letters in the file with an editor; `nearkey layout check` says what is wrong with it.
    """
    if (rows is None) != (columns is None):
        raise LayoutError("one is given", field="--rows, --columns", fix="give both or neither")
    made = named_or_file(base, fit_mm)
    if rows is not None and columns is not None:
        width, height = fit_mm or (None, None)
        grids = grid_layouts(
            named_or_file(base),
            rows=rows,
            columns=columns,
            limit=1,
            width_mm=width,
            height_mm=height,
        )
        made = next(iter(grids))
    made = made.renamed(name) if name else made
    if output is None:
        click.echo(made.to_toml(), nl=False)
        return
    made.save(output)
    say_written(output)


@layout.command("grids")
@click.argument("base")
@click.option("--rows", type=int, required=True, help="Cells down.")
@click.option("--columns", type=int, required=True, help="Cells across.")
@click.option(
    "--rule",
    type=click.Choice(["strict", "loose", "ordered", "free"]),
    default="strict",
    help="What may become of letters that a border cuts; docs/layouts.md.",
)
@click.option("--limit", type=int, help="List at most this many.")
@click.option("--seed", type=int, help="With --limit: draw them at random, not the first ones.")
@click.option("--count", is_flag=True, help="Only count them.")
@click.option(
    "-o",
    "--output",
    "folder",
    type=FOLDER,
    help="Write a spec for each into this folder.",
)
@json_option("the grids")
@force_option
def layout_grids(
    base: str,
    rows: int,
    columns: int,
    rule: str,
    limit: int | None,
    seed: int | None,
    count: bool,
    folder: str | None,
    as_json: bool,
    force: bool,
) -> None:
    """Enumerate grids over a base arrangement."""
    arrangement = named_or_file(base)
    if count:
        n = count_grids(arrangement, rows=rows, columns=columns, rule=rule)
        show({"grids": n}, str(n), as_json)
        return
    grids = grid_layouts(arrangement, rows=rows, columns=columns, rule=rule, limit=limit, seed=seed)
    if folder is not None:
        listed = list(grids)
        paths = [Path(folder) / f"{grid.name}.toml" for grid in listed]
        for path in paths:
            refuse_to_overwrite(path, force)
        for path, grid in zip(paths, listed, strict=True):
            grid.save(path)
        grids = iter(listed)
    if as_json:
        click.echo(
            json_text([{"name": g.name, "keys": [key.letters for key in g.keys]} for g in grids])
        )
        return
    for grid in grids:
        click.echo(f"{grid.name}\t{' '.join(key.letters for key in grid.keys)}")
