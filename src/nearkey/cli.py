"""The `nearkey` command: thin commands over plain functions.

Tables go to standard output, progress to standard error and only on a terminal. Bad input ends with
one line on standard error and exit code 2. Nothing is overwritten unless --force says so, but the report of a
ranking.
"""

from __future__ import annotations

import logging
import sys
from typing import Any

import click

from nearkey.commands.decode_command import decode_command, serve_command, try_command
from nearkey.commands.lab_command import lab
from nearkey.commands.layout_command import layout
from nearkey.commands.pack_command import pack
from nearkey.commands.person_command import person
from nearkey.commands.rank_command import rank
from nearkey.commands.score_command import compare_command, score_command
from nearkey.commands.search_command import search
from nearkey.commands.study_command import study
from nearkey.commands.touch_command import touch
from nearkey.errors import NearkeyError
from nearkey.logger import LOGGER
from nearkey.version import VERSION


class _Command(click.Group):
    """A group whose commands turn a `NearkeyError` into one line and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        spoken = logging.StreamHandler(sys.stderr)
        spoken.setFormatter(logging.Formatter("nearkey: %(message)s"))
        LOGGER.addHandler(spoken)
        ctx.call_on_close(lambda: LOGGER.removeHandler(spoken))
        try:
            return super().invoke(ctx)
        except NearkeyError as fault:
            click.echo(f"nearkey: {fault}", err=True)
            sys.exit(2)
        except BrokenPipeError:
            sys.exit(1)
        except OSError as fault:  # a full disk, a folder that may not be written to
            named = f"{fault.filename}: " if fault.filename else ""
            click.echo(
                f"nearkey: {named}{fault.strerror or fault}; check the path and the disk", err=True
            )
            sys.exit(2)
        except KeyboardInterrupt:
            click.echo("nearkey: interrupted", err=True)
            sys.exit(130)


@click.group(
    cls=_Command, context_settings={"help_option_names": ["-h", "--help"], "show_default": True}
)
@click.version_option(VERSION, prog_name="nearkey")
def cli() -> None:
    """Design, decode and measure typing on surfaces too small to hit single letters."""


def main() -> None:
    """Entry point of the `nearkey` script."""
    cli()


for _command in (
    compare_command,
    decode_command,
    lab,
    layout,
    pack,
    person,
    rank,
    score_command,
    search,
    serve_command,
    study,
    touch,
    try_command,
):
    cli.add_command(_command)


if __name__ == "__main__":
    main()
