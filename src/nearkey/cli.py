"""The `nearkey` command: thin commands over plain functions.

Tables go to standard output, progress to standard error and only on a terminal. Bad input ends with
one line on standard error and exit code 2. Nothing is overwritten unless --force says so.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

import nearkey
from nearkey.errors import NearkeyError
from nearkey.files import atomic_write

__all__ = ["cli", "main"]


class _Command(click.Group):
    """A group whose commands turn a `NearkeyError` into one line and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except NearkeyError as fault:
            click.echo(f"nearkey: {fault}", err=True)
            sys.exit(2)
        except BrokenPipeError:
            sys.exit(1)
        except KeyboardInterrupt:
            click.echo("nearkey: interrupted", err=True)
            sys.exit(130)


@click.group(cls=_Command, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(nearkey.__version__, prog_name="nearkey")
def cli() -> None:
    """Design, decode and measure typing on surfaces too small to hit single letters."""


def main() -> None:
    """Entry point of the `nearkey` script."""
    cli()


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error when that is a terminal: call it with (done, total)."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    try:
        from tqdm import tqdm
    except ImportError:
        yield lambda done, total: None
        return
    with tqdm(desc=label, unit="part", leave=False) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.n = done
            bar.refresh()

        yield show


def _refuse_to_overwrite(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise NearkeyError(
            "is there already", where=str(path), fix="name another file, or say --force"
        )


@cli.group()
def layout() -> None:
    """Describe, check, draw and enumerate layouts."""


def _named_or_file(name: str) -> nearkey.Layout:
    return (
        nearkey.Layout.named(name)
        if name in nearkey.catalogue_names()
        else nearkey.Layout.load(name)
    )


@layout.command("list")
def layout_list() -> None:
    """Names of the public arrangements that come with nearkey."""
    for name in nearkey.catalogue_names():
        click.echo(name)


@layout.command("check")
@click.argument("specs", nargs=-1, required=True)
def layout_check(specs: tuple[str, ...]) -> None:
    """Check layout specs: a summary line for each good one."""
    for name in specs:
        found = _named_or_file(name)
        click.echo(
            f"{name}: {found.name}, {len(found.keys)} keys, {len(found.letters)} letters, "
            f"{found.width_mm:g} x {found.height_mm:g} mm"
        )


@layout.command("draw")
@click.argument("spec")
@click.option(
    "-o", "--output", type=click.Path(dir_okay=False), help="SVG file; standard output without it."
)
@click.option("--force", is_flag=True, help="Overwrite the file.")
def layout_draw(spec: str, output: str | None, force: bool) -> None:
    """Draw a layout (a spec file or a name of the catalogue) as SVG."""
    svg = _named_or_file(spec).to_svg()
    if output is None:
        click.echo(svg)
        return
    _refuse_to_overwrite(Path(output), force)
    with atomic_write(output) as file:
        file.write(svg)
    click.echo(output)


@layout.command("grids")
@click.argument("base")
@click.option("--rows", type=int, required=True)
@click.option("--columns", type=int, required=True)
@click.option(
    "--rule",
    type=click.Choice(["strict", "loose", "ordered", "free"]),
    default="strict",
    show_default=True,
)
@click.option("--limit", type=int, help="List at most this many.")
@click.option("--count", is_flag=True, help="Only count them.")
@click.option(
    "--save",
    "folder",
    type=click.Path(file_okay=False),
    help="Write a spec for each into this folder.",
)
def layout_grids(
    base: str,
    rows: int,
    columns: int,
    rule: str,
    limit: int | None,
    count: bool,
    folder: str | None,
) -> None:
    """Enumerate grids over a base arrangement."""
    arrangement = _named_or_file(base)
    if count:
        click.echo(nearkey.count_grids(arrangement, rows=rows, columns=columns, rule=rule))
        return
    for grid in nearkey.grid_layouts(
        arrangement, rows=rows, columns=columns, rule=rule, limit=limit
    ):
        if folder is not None:
            grid.save(Path(folder) / f"{grid.name}.toml")
        click.echo(f"{grid.name}\t{' '.join(key.letters for key in grid.keys)}")


@cli.command()
@click.argument("plan", type=click.Path(dir_okay=False))
@click.option("--words", type=int, help="Words typed on each layout, instead of the plan's number.")
@click.option("--seed", type=int, help="Seed, instead of the plan's.")
@click.option("--workers", type=int, help="Threads; the table does not depend on them.")
@click.option("--top", type=int, default=15, show_default=True, help="Rows of the table shown.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the rows as JSON instead of the table."
)
@click.option(
    "--report",
    "folder",
    type=click.Path(file_okay=False),
    help="Folder of the report, instead of the plan's.",
)
@click.option("--no-report", is_flag=True, help="Only the table.")
@click.option(
    "--checkpoint", type=click.Path(dir_okay=False), help="File that lets an interrupted run go on."
)
def rank(
    plan: str,
    words: int | None,
    seed: int | None,
    workers: int | None,
    top: int,
    as_json: bool,
    folder: str | None,
    no_report: bool,
    checkpoint: str | None,
) -> None:
    """Rank the layouts of PLAN (a TOML file) by simulating a typist against the decoder."""
    from nearkey.simulate.plan import Plan

    loaded = Plan.load(plan)
    settings = loaded.settings()
    for name, value in (("words", words), ("seed", seed), ("workers", workers)):
        if value is not None:
            settings[name] = value
    for recording in loaded.recordings:
        if recording.cleaning is not None:
            click.echo(str(recording.cleaning), err=True)
    pack = nearkey.load_pack(loaded.file.pack)
    with progress_bar(loaded.file.name) as bar:
        result = nearkey.rank_layouts(
            loaded.layouts,
            pack=pack,
            checkpoint=checkpoint,
            progress=lambda p: bar(p.done, p.total),
            **settings,
        )
    click.echo(json.dumps(result.to_dicts(), indent=1) if as_json else result.table(top))
    if not no_report:
        from nearkey.report import rank_report

        target = (
            Path(folder) if folder is not None else loaded.path.parent / loaded.file.report.folder
        )
        made = rank_report(
            result,
            target,
            touches=loaded.recordings,
            title=loaded.file.report.title or loaded.file.name,
        )
        click.echo(f"report: {made.page}", err=as_json)


if __name__ == "__main__":
    main()
