"""`nearkey layout …`"""

from __future__ import annotations

from pathlib import Path

import click

from nearkey.commands.shared import (
    FOLDER,
    force_option,
    named_or_file,
    output_option,
    refuse_to_overwrite,
)
from nearkey.errors import NearkeyError
from nearkey.files import atomic_write
from nearkey.layout import catalogue_names, count_grids, grid_layouts

__all__ = ["layout"]


@click.group()
def layout() -> None:
    """Describe, check, draw and enumerate layouts."""


@layout.command("list")
def layout_list() -> None:
    """Names of the public arrangements that come with nearkey."""
    for name in catalogue_names():
        click.echo(name)


@layout.command("check")
@click.argument("specs", nargs=-1, required=True)
def layout_check(specs: tuple[str, ...]) -> None:
    """Check layout specs, each to its first fault."""
    faulty = False
    for name in specs:
        try:
            found = named_or_file(name)
        except NearkeyError as fault:
            click.echo(f"nearkey: {fault}", err=True)
            faulty = True
            continue
        click.echo(
            f"{name}: {found.name}, {len(found.keys)} keys, {len(found.letters)} letters, "
            f"{found.width_mm:g} x {found.height_mm:g} mm"
        )
    if faulty:
        raise SystemExit(2)


@layout.command("draw")
@click.argument("spec")
@output_option("SVG file; standard output without it.")
@force_option
def layout_draw(spec: str, output: str | None, force: bool) -> None:
    """Draw a layout (a spec file or a name of the catalogue) as SVG."""
    svg = named_or_file(spec).to_svg()
    if output is None:
        click.echo(svg)
        return
    refuse_to_overwrite(Path(output), force)
    with atomic_write(output) as file:
        file.write(svg)
    click.echo(output)


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
@click.option("--save", "folder", type=FOLDER, help="Write a spec for each into this folder.")
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
    force: bool,
) -> None:
    """Enumerate grids over a base arrangement."""
    arrangement = named_or_file(base)
    if count:
        click.echo(count_grids(arrangement, rows=rows, columns=columns, rule=rule))
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
    for grid in grids:
        click.echo(f"{grid.name}\t{' '.join(key.letters for key in grid.keys)}")
