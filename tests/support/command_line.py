"""Running the command line as a person would, and what must be true of every refusal."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from click.testing import CliRunner, Result

from nearkey.cli import cli


def every_command(
    group: click.Group = cli, before: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Each command of the command line, with the words that call it."""
    for name, command in group.commands.items():
        path = (*before, name)
        if isinstance(command, click.Group):
            yield from every_command(command, path)
        else:
            yield path, command


def run(*arguments: object) -> Result:
    """One run in this process; standard output and standard error apart."""
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def done(*arguments: object) -> Result:
    """A run that must end well."""
    found = run(*arguments)
    assert found.exit_code == 0, found.output
    return found


def strict_json(text: str) -> Any:
    """JSON as every reader takes it: without NaN and Infinity."""

    def no_number(name: str) -> None:
        raise AssertionError(f"{name} is no JSON")

    return json.loads(text, parse_constant=no_number)


def listing(folder: Path) -> dict[str, bytes | None]:
    """Everything below a folder, with its bytes."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def refused(folder: Path, *arguments: object) -> str:
    """A run that must end in one line and exit code 2, leaving `folder` as it was; the line."""
    before = listing(folder)
    found = run(*arguments)
    assert found.exit_code == 2, found.output
    assert isinstance(found.exception, SystemExit)
    assert found.stdout == ""
    assert listing(folder) == before
    lines = found.stderr.splitlines()
    assert len(lines) == 1, found.stderr
    assert lines[0].startswith("nearkey: ")
    assert "; " in lines[0], "no fix is named"
    return lines[0]
