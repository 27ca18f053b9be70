"""A pack as a distribution that pip installs: a wheel (PEP 427) with an entry point, and no code."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import zipfile
from pathlib import Path

from nearkey.errors import PackError
from nearkey.files import atomic_path
from nearkey.language.info import PackInfo, read_info, verify_files
from nearkey.language.pack import ENTRY_POINTS
from nearkey.packs.licences import spdx_expression
from nearkey.version import VERSION

_EPOCH = (1980, 1, 1, 0, 0, 0)
_VERSION = re.compile(r"\d+(\.\d+)*((a|b|rc)\d+)?(\+[a-z0-9]+(\.[a-z0-9]+)*)?")


def write_wheel(pack: str | os.PathLike[str], folder: str | os.PathLike[str]) -> Path:
    """Write ``nearkey_pack_NAME-VERSION-py3-none-any.whl`` into `folder`; its path.

    Once installed, ``load_pack(NAME)`` finds the pack. Equal packs give equal bytes. PackError if the pack
    is damaged or its version is not one that pip takes.
    """
    source = Path(pack)
    info = read_info(source)
    verify_files(source, info, thorough=True)
    if not _VERSION.fullmatch(info.version):
        raise PackError(
            f"version {info.version!r} is not one that pip takes",
            where=source / "pack.toml",
            field="version",
            fix="use digits and points, like 1.0.0",
        )
    module = "nearkey_pack_" + re.sub(r"[^a-z0-9]", "_", info.name.lower())
    dist_info = f"{module}-{info.version}.dist-info"
    target = Path(folder) / f"{module}-{info.version}-py3-none-any.whl"
    files: dict[str, bytes] = {f"{module}/__init__.py": f'"""{info.title}."""\n'.encode()}
    for name in [*info.files, "pack.toml"]:
        files[f"{module}/pack/{name}"] = (source / name).read_bytes()
    files[f"{dist_info}/licenses/LICENCE.md"] = (source / "LICENCE.md").read_bytes()
    files[f"{dist_info}/METADATA"] = _metadata(info, module).encode()
    files[f"{dist_info}/WHEEL"] = (
        f"Wheel-Version: 1.0\nGenerator: nearkey {VERSION}\n"
        "Root-Is-Purelib: true\nTag: py3-none-any\n"
    ).encode()
    files[f"{dist_info}/entry_points.txt"] = f"[{ENTRY_POINTS}]\n{info.name} = {module}\n".encode()
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


def _metadata(info: PackInfo, module: str) -> str:
    expression = spdx_expression(info.licence)
    licence = f"License-Expression: {expression}\n" if expression else ""
    return (
        "Metadata-Version: 2.4\n"
        f"Name: {module.replace('_', '-')}\n"
        f"Version: {info.version}\n"
        f"Summary: Language pack for nearkey: {info.title} ({info.language})\n"
        f"{licence}"
        "License-File: LICENCE.md\n"
        "Requires-Python: >=3.11\n"
        "Requires-Dist: nearkey\n"
        "\n"
        f"{info.title}. Load it with `nearkey.load_pack({info.name!r})`. Sources and their licences: LICENCE.md.\n"
    )
