"""What scripts have in common: their options, the evaluation text, and code measured in a process of its own."""

from __future__ import annotations

import argparse
import gzip
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from functools import cache, partial
from pathlib import Path
from typing import Any, NoReturn

import msgspec

MEASURE = """
import json, sys, time
def told(**found):
    # Not ru_maxrss, which a new process takes over from the one that started it.
    peak = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
    print(json.dumps({**found, "mb": peak / 1024}))
"""
"""What stands before code that is measured: `told` gives its figures, and its memory at its most."""


def options(doc: str, *, apart: Sequence[str] = (), **asked: Any) -> argparse.Namespace:
    """The options of a script, told by the first line of its docstring.

    asked : of each its default, whose type it has; or a type alone, None by default; either in a tuple with its help.
        A list of parts: some of them, in one text with commas; all by default. apart : parts done only where they are
        named.
    """
    parser = argparse.ArgumentParser(description=doc.splitlines()[0])
    for name, value in asked.items():
        value, told = value if isinstance(value, tuple) else (value, None)
        flag = f"--{name.replace('_', '-')}"
        kind, default = (value, None) if isinstance(value, type) else (type(value), value)
        if value is False:
            parser.add_argument(flag, action="store_true", help=told)
            continue
        if isinstance(value, list):
            names = [*value, *apart]
            kind, told = partial(_parts, name.removesuffix("s"), names), f"of {', '.join(names)}"
        parser.add_argument(flag, type=kind, default=default, help=told)
    return parser.parse_args()


def refused(problem: str) -> NoReturn:
    """End the script for what it cannot work with: one line, exit code 2, as the command line of nearkey does."""
    print(problem, file=sys.stderr)
    sys.exit(2)


def _parts(what: str, names: list[str], text: str) -> list[str]:
    chosen = text.split(",")
    if unknown := [name for name in chosen if name not in names]:
        refused(f"{what} {unknown[0]!r} is unknown: use {', '.join(names)}")
    return chosen


def data_folder() -> Path:
    """The folder of open corpora that NEARKEY_DATA names; ends the script where it names none."""
    if "NEARKEY_DATA" not in os.environ:
        refused("NEARKEY_DATA names no folder of open corpora: see docs/packs.md")
    return Path(os.environ["NEARKEY_DATA"])


@cache
def held_out_lines() -> list[str] | None:
    """Lines of the evaluation text (Universal Dependencies English EWT, CC BY-SA 4.0) where NEARKEY_DATA has it."""
    path = Path(os.environ.get("NEARKEY_DATA", ""), "text", "en_ewt_eval.txt.gz")
    if "NEARKEY_DATA" not in os.environ or not path.exists():
        return None
    with gzip.open(path, "rt", encoding="utf-8") as file:
        return [line.strip() for line in file if line.strip()]


def needed_lines() -> list[str]:
    """The same; ends the script where there are none."""
    lines = held_out_lines()
    if lines is None:
        refused("set NEARKEY_DATA to the folder with text/en_ewt_eval.txt.gz")
    return lines


def kept(path: Path | None, kind: Any) -> list[Any]:
    """Records of this type that `add_kept` has put into a file, so that a run can be taken up again."""
    lines = path.read_bytes().splitlines() if path is not None and path.exists() else []
    return [msgspec.json.decode(line, type=kind) for line in lines]


def add_kept(path: Path | None, record: Any) -> None:
    """Keep a record in a file; nothing without one."""
    if path is not None:
        with path.open("ab") as out:
            out.write(msgspec.json.encode(record) + b"\n")


def measured(
    code: str, *arguments: str | Path, python: str | Path = sys.executable, **how: Any
) -> Any:
    """What Python code prints as JSON in its last line, run with these arguments in a process of its own.

    how : of `subprocess.run`.
    """
    command = [python, "-c", code, *arguments]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, **how)
    return json.loads(done.stdout.splitlines()[-1])
