"""Pages whose code blocks run as printed, in order, in one namespace.

`python pages.py PAGE...` runs pages with the nearkey that this Python has, each in an empty folder of its own.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]

_BLOCK = re.compile(
    r"(?:`([\w.-]+\.toml)`:\n\n)?```(python|sh|toml)\n(.*?)```(?:\n\n```text\n(.*?)```)?", re.DOTALL
)
"""Blocks that run, and TOML that a page names a file for, which is saved under that name."""


def run_shell(block: str) -> str:
    """What a page's shell block prints, run as it stands in this folder with the nearkey that is tested at hand.

    Blocks marked `sh` run in the tests; `bash` marks those that need a checkout, others' data, or a shell of one's own.
    """
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", block],
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{block}\n{done.stderr}"
    return done.stdout


def run_page(page: str, *, at_least: int, shell: bool = False) -> list[tuple[str, str | None]]:
    """What each Python block of a page prints, and what the page says it prints (None where it does not say).

    With `shell` the same of the blocks of commands, in their order among the others.
    """
    assert not Path.cwd().is_relative_to(ROOT), (
        "pages write files: run them in a folder of their own"
    )
    blocks = _BLOCK.findall((ROOT / page).read_text(encoding="utf-8"))
    assert sum(kind == "python" for _, kind, *_ in blocks) >= at_least, f"{page} has lost its code"
    names: dict[str, Any] = {}
    out: list[tuple[str, str | None]] = []
    for file, kind, code, shown in blocks:
        if kind == "toml":
            if file:
                Path(file).write_text(code, encoding="utf-8")
            continue
        if kind == "sh":
            said = run_shell(code)
            if shell:
                out.append((said, shown or None))
            continue
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, page, "exec"), names)
        out.append((printed.getvalue(), shown or None))
    return out


def main() -> None:
    """Run the pages named, and say of each how many blocks ran."""
    for name in sys.argv[1:]:
        with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
            print(f"{name}: {len(run_page(name, at_least=0))} blocks of Python ran", flush=True)


if __name__ == "__main__":
    main()
