"""The folder of a pack that is made: it appears whole or not at all, with its record and its licence note.

And its distribution, which pip installs: a wheel (PEP 427) with an entry point, and no code.
"""

from __future__ import annotations

import base64
import errno
import glob
import hashlib
import os
import re
import shutil
import tempfile
import time
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from nearkey.errors import PackError
from nearkey.files import atomic_path, held_lock, is_held
from nearkey.language import info
from nearkey.language.pack import ENTRY_POINTS
from nearkey.packs.licences import combinable, licence_link, licence_names, spdx_expression
from nearkey.version import VERSION

_STALE_S = 86_400.0


@contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """A folder to write into, which takes the place of `target` at the end; after an error it is gone.

    Raises PackError when the disk is full.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    for left in target.parent.glob(f".{glob.escape(target.name)}.*"):
        # What builds that were killed left there: their lock is gone; or, without one, a day old.
        if left.is_dir() and _abandoned(left):
            shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=f".{target.name}.", dir=target.parent) as temporary:
        folder = Path(temporary) / "pack"
        folder.mkdir()
        try:
            with held_lock(Path(temporary) / "lock"):
                yield folder
        except OSError as fault:
            full = fault.errno in (errno.ENOSPC, errno.EDQUOT)
            if not full and fault.errno not in (errno.EFBIG, errno.EIO):
                raise
            raise PackError(
                "the disk is full" if full else f"cannot be written ({fault.strerror})",
                where=target,
                fix="free some space, then build again",
            ) from fault
        if target.exists():
            target.replace(Path(temporary) / "replaced")
        folder.replace(target)


def _abandoned(left: Path) -> bool:
    lock = left / "lock"
    if lock.is_file():
        return not is_held(lock)
    return time.time() - left.stat().st_mtime > _STALE_S


def finish_pack(folder: Path, made: info.PackInfo, notices: Mapping[str, str]) -> info.PackInfo:
    """Write ``LICENCE.md`` and ``pack.toml`` of a folder that holds all else; the info with its files listed.

    notices : source title to text, for the licence note.
    """
    (folder / "LICENCE.md").write_text(_licence_text(made, notices), encoding="utf-8")
    return info.finish_folder(folder, made)


def _linked(expression: str) -> str:
    """A licence expression, each licence with a link to its text where it has a public place."""
    for name in sorted(licence_names(expression), key=len, reverse=True):
        link = licence_link(name)
        if link is not None:
            outside = rf"(?<![\w./-]){re.escape(name)}(?![\w./-])"
            expression = re.sub(outside, f"[{name}]({link})", expression)
    return expression


def _licence_text(made: info.PackInfo, notices: Mapping[str, str]) -> str:
    """LICENCE.md: the pack's own licence, each source with its licence and attribution, the notices."""
    lines = [
        f"# Licence of the language pack “{made.title}” ({made.name} {made.version})",
        "",
        f"This pack holds words and probabilities estimated from the sources below. It is licensed under"
        f" **{_linked(made.licence)}**. It holds none of their texts: what was changed is that words were"
        " counted, and probabilities estimated from the counts. It comes as it is, without warranty of any"
        " kind, as do its sources. The program that reads it has a licence of its own.",
        "",
        "| source | found at | licence | attribution |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {source.title} | {f'`{source.origin}`' if ':' in source.origin else '-'}"
        f" | {_linked(source.licence)} | {source.attribution} |"
        for source in made.sources
    ]
    unknown = [
        source.title
        for source in made.sources
        if source.kind != "adapt" and combinable(source.licence, made.licence) is None
    ]
    if unknown:
        lines += [
            "",
            "**Before you pass this pack on**, find out whether its licence may cover these sources, whose"
            f" licences nearkey's table does not know: {'; '.join(unknown)}.",
        ]
    if made.held_out and not any(source.kind == "adapt" for source in made.sources):
        titles = "; ".join(record.title for record in made.held_out)
        lines += ["", f"Used for evaluation only, with nothing of it in the pack: {titles}."]
    for title, notice in notices.items():
        lines += ["", f"## {title}", "", notice.strip()]
    return "\n".join(lines) + "\n"


# ---- the wheel ----

_EPOCH = (1980, 1, 1, 0, 0, 0)
_VERSION = re.compile(r"\d+(\.\d+)*((a|b|rc)\d+)?(\+[a-z0-9]+(\.[a-z0-9]+)*)?")


def write_wheel(pack: str | os.PathLike[str], folder: str | os.PathLike[str]) -> Path:
    """Write ``nearkey_pack_NAME-VERSION-py3-none-any.whl`` into `folder`; its path.

    Once installed, ``load_pack(NAME)`` finds the pack. Equal packs give equal bytes. PackError if the pack
    is damaged or its version is not one that pip takes.
    """
    source = Path(pack)
    made = info.read_info(source)
    info.verify_files(source, made, thorough=True)
    if not _VERSION.fullmatch(made.version):
        raise PackError(
            f"version {made.version!r} is not one that pip takes",
            where=source / "pack.toml",
            field="version",
            fix="use digits and points, like 1.0.0",
        )
    module = "nearkey_pack_" + re.sub(r"[^a-z0-9]", "_", made.name.lower())
    dist_info = f"{module}-{made.version}.dist-info"
    target = Path(folder) / f"{module}-{made.version}-py3-none-any.whl"
    files: dict[str, bytes] = {f"{module}/__init__.py": f'"""{made.title}."""\n'.encode()}
    for name in [*made.files, "pack.toml"]:
        files[f"{module}/pack/{name}"] = (source / name).read_bytes()
    files[f"{dist_info}/licenses/LICENCE.md"] = (source / "LICENCE.md").read_bytes()
    files[f"{dist_info}/METADATA"] = _metadata(made, module).encode()
    files[f"{dist_info}/WHEEL"] = (
        f"Wheel-Version: 1.0\nGenerator: nearkey {VERSION}\n"
        "Root-Is-Purelib: true\nTag: py3-none-any\n"
    ).encode()
    files[f"{dist_info}/entry_points.txt"] = f"[{ENTRY_POINTS}]\n{made.name} = {module}\n".encode()
    record = f"{dist_info}/RECORD"
    lines = [f"{name},{_digest(data)},{len(data)}" for name, data in files.items()]
    files[record] = ("\n".join([*lines, f"{record},,"]) + "\n").encode()
    with (
        atomic_path(target) as temporary,
        zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive,
    ):
        for name, data in files.items():
            entry = zipfile.ZipInfo(name, date_time=_EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, data)
    return target


def _digest(data: bytes) -> str:
    digest = base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()
    return f"sha256={digest}"


def _metadata(made: info.PackInfo, module: str) -> str:
    expression = spdx_expression(made.licence)
    licence = f"License-Expression: {expression}\n" if expression else ""
    return (
        "Metadata-Version: 2.4\n"
        f"Name: {module.replace('_', '-')}\n"
        f"Version: {made.version}\n"
        f"Summary: Language pack for nearkey: {made.title} ({made.language})\n"
        f"{licence}"
        "License-File: LICENCE.md\n"
        "Requires-Python: >=3.11\n"
        "Requires-Dist: nearkey\n"
        "\n"
        f"{made.title}. Load it with `nearkey.load_pack({made.name!r})`. Sources and their licences: LICENCE.md.\n"
    )
