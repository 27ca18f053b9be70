"""Bringing a source's files to a cache folder through the ordinary package clients."""

from __future__ import annotations

import fnmatch
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from nearkey.bounds import shown
from nearkey.errors import PackError
from nearkey.packs.recipe import TextSource, WordSource

DATA_VARIABLE = "NEARKEY_DATA"
"""Environment variable that names the folder of the corpora no registry carries."""


def cache_folder() -> Path:
    """Where fetched packages are kept: $NEARKEY_CACHE, or the user's cache folder."""
    given = os.environ.get("NEARKEY_CACHE")
    if given:
        return Path(given)
    base = os.environ.get("XDG_CACHE_HOME") or os.fspath(Path.home() / ".cache")
    return Path(base) / "nearkey"


def locate(
    source: TextSource | WordSource,
    *,
    recipe: Path,
    data: Path | None,
    cache: Path,
    allow_outside: bool = False,
) -> list[Path]:
    """The source's files, sorted; fetched first if a registry has them. None of them for an
    optional source that the data folder lacks.

    recipe : the recipe's path. data : the data folder. cache : where fetched packages are kept.
    allow_outside : patterns of origin ``here`` may lead out of the recipe's folder, by ``..`` or by a symbolic link;
    for recipes of one's own.

    PackError says what is missing and how to get it, and which pattern leads out of where it has to stay: patterns
    of the data folder by ``..``, those of a fetched package and of the recipe's folder by symbolic links too.
    """

    def fault(problem: str, fix: str) -> PackError:
        return PackError(problem, where=recipe, field=source.name, fix=fix)

    scheme, _, package = source.origin.partition(":")
    if scheme == "here":
        base = recipe.parent
    elif scheme == "data":
        if isinstance(source, TextSource) and source.optional:
            return [] if data is None else _matching(data, source, fault)
        if data is None:
            raise fault(
                f"needs {source.title}, which no registry carries",
                f"put {', '.join(source.files)} in a folder and name it by --data or {DATA_VARIABLE}",
            )
        base = data
    elif scheme in _FETCHERS and package:
        base = cache / re.sub(r"[^A-Za-z0-9._=@+-]", "_", source.origin)
        if not base.is_dir():
            problem = _fetch(scheme, package, base)
            if problem is not None:
                first = "run apt-get update first, or " if scheme == "debian" else ""
                raise fault(problem, f"{first}get it by hand and unpack it into {base}")
    else:
        known = "npm:, pypi:, debian:, nltk:, hub:, data or here"
        raise fault(f"origin {source.origin!r} is unknown", f"use {known}")
    found = _matching(base, source, fault, outside=scheme == "here" and allow_outside)
    if not found:
        problem = f"no file {', '.join(source.files)} in {base}"
        raise fault(problem, f"get {source.title}, or correct `files`")
    return found


def _matching(
    base: Path,
    source: TextSource | WordSource,
    fault: Callable[[str, str], PackError],
    *,
    outside: bool = False,
) -> list[Path]:
    """Files of `base` that match the source's patterns, which may lead out of it if `outside`.

    In the data folder they match in any folder below it; elsewhere what symbolic links lead to must lie below `base`.
    """
    deep = source.origin == "data"
    fix = "keep files below that folder, or say --allow-outside if the recipe is your own"
    for pattern in source.files:
        if not outside and ".." in Path(pattern.removeprefix("!")).parts:
            raise fault(f"{shown(pattern)} leads out of {base}", fix)

    def below(path: Path) -> str:
        """The path from `base`; a pattern may lead out of it."""
        return Path(os.path.relpath(path, base)).as_posix()

    chosen: set[Path] = set()
    for pattern in source.files:
        if pattern.startswith("!"):
            chosen = {path for path in chosen if not fnmatch.fnmatch(below(path), pattern[1:])}
        else:
            found = base.rglob(pattern) if deep else base.glob(pattern)
            chosen |= {path for path in found if path.is_file()}
    if not deep and not outside:
        real = base.resolve()
        for path in chosen:
            if not path.resolve().is_relative_to(real):
                raise fault(f"{shown(below(path))} is a link that leads out of {base}", fix)
    return sorted(chosen, key=below)


def _fetch(scheme: str, package: str, target: Path) -> str | None:
    """Fetch and unpack into a temporary folder, then move it into place; what is wrong if that fails."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as temporary:
        folder = Path(temporary)
        fetched, unpacked = folder / "fetched", folder / "unpacked"
        fetched.mkdir()
        unpacked.mkdir()
        try:
            _FETCHERS[scheme](package, fetched, unpacked)
        except FileNotFoundError as fault:
            return f"the client {fault.filename!r} is not installed"
        except subprocess.CalledProcessError as fault:
            output = (fault.stderr or fault.stdout or "").strip().splitlines()
            return f"{scheme} cannot fetch {package}: {output[-1] if output else fault}"
        except (OSError, tarfile.TarError, zipfile.BadZipFile, IndexError) as fault:
            return f"{package} cannot be unpacked: {fault}"
        unpacked.replace(target)
    return None


def _run(*command: str, cwd: Path) -> None:
    if shutil.which(command[0]) is None:
        raise FileNotFoundError(2, "not found", command[0])
    subprocess.run(command, cwd=cwd, check=True, capture_output=True, text=True)


def _npm(package: str, fetched: Path, unpacked: Path) -> None:
    _run("npm", "pack", "--silent", "--ignore-scripts", "--", package, cwd=fetched)
    with tarfile.open(next(iter(fetched.glob("*.tgz")))) as archive:
        archive.extractall(unpacked, filter="data")


def _pypi(package: str, fetched: Path, unpacked: Path) -> None:
    target = os.fspath(fetched)
    # Wheels alone: asking for the metadata of anything else would run its code.
    pip = (sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", target)
    _run(*pip, "--only-binary=:all:", "--", package, cwd=fetched)
    found = next(iter(sorted(fetched.iterdir())))
    with zipfile.ZipFile(found) as wheel:
        wheel.extractall(unpacked)


def _debian(package: str, fetched: Path, unpacked: Path) -> None:
    _run("apt-get", "download", "--quiet", "--", package, cwd=fetched)
    found = next(iter(fetched.glob("*.deb")))
    _run("dpkg-deb", "--extract", os.fspath(found), os.fspath(unpacked), cwd=fetched)


_FETCHERS = {"npm": _npm, "pypi": _pypi, "debian": _debian}
