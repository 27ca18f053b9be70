"""``pack.toml``: what a pack is, where it comes from, and the checksums that show its files whole."""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path
from typing import Any

import msgspec
import tomli_w

from nearkey.errors import PackError
from nearkey.files import atomic_write
from nearkey.language.arrays import damaged, map_bytes, read_bytes
from nearkey.schema import convert, read_toml

FORMAT = 2
"""Newest pack format this version reads; see `written_format`."""

_AGAIN = "install or build the pack again"
_SEAL = "# CRC-32 of the lines above: "

PACK_FILES = (
    "lexicon.marisa",
    "words.bin",
    "words.ngram",
    "letters.ngram",
    "case.bin",
    "marks.bin",
    "LICENCE.md",
)

CONTEXT_FILE = "context.bin"
"""The context model, where a pack has one."""


class FileRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Size and checksums of a file. The CRC-32 is checked at every load, as it is fast and certain to
    show a damaged byte; the SHA-256 by ``nearkey pack check``."""

    bytes: int
    crc32: str
    sha256: str


class SourceRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A source the pack was estimated from: its public name, where it is found, its licence."""

    title: str
    kind: str
    origin: str
    licence: str
    attribution: str
    sentences: int = 0
    words: int = 0


class HeldOut(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Perplexity on a text that the pack was not estimated from.

    `perplexity` counts the words of the lexicon; `perplexity_with_ends` also numbers and ``</s>``.
    `oov_rate` is the share of words outside the lexicon; they are not counted in either, but stand in
    the contexts as ``<unk>``. `unknown_predicted` is the mean probability that the model gave to
    ``<unk>``, to be compared with `oov_rate`. All that is sentence by sentence; `perplexity_after_text`, of a pack with
    a context model, is `perplexity` where each sentence is read with the text before it, in the order of the text.
    """

    title: str
    words: int
    oov_rate: float
    unknown_predicted: float
    perplexity: float
    perplexity_with_ends: float
    perplexity_after_text: float | None = None


class ContextRecord(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The context model of a pack, and how it was trained.

    `weights` are the network's in its mixture with the n-gram table, by how many words of context the table knows; they
    were fitted on `fitted_words` words of held-out text. `tokens` are those of the training text, `tokens_seen` those
    read in all its passes; `options` the trainer's settings; `versions` of what it ran on.
    """

    parameters: int
    weights: list[float]
    fitted_words: int
    tokens: int
    tokens_seen: int
    steps: int
    minutes: float
    device: str
    options: dict[str, int | float | bool]
    versions: dict[str, str]


class PackInfo(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The fields of ``pack.toml``."""

    format: int
    name: str
    language: str
    title: str
    version: str
    licence: str
    alphabet: str
    letter_symbols: str
    fold_accents: bool
    abbreviations: list[str]
    elisions: list[str] = []
    words: int
    ngrams: list[int]
    letter_ngrams: list[int]
    training_words: int
    sources: list[SourceRecord]
    held_out: list[HeldOut]
    context: ContextRecord | None = None
    files: dict[str, FileRecord]

    @property
    def n_bytes(self) -> int:
        """Size of all files together."""
        return sum(record.bytes for record in self.files.values())


def record_file(path: Path) -> FileRecord:
    """Measure a file."""
    data = path.read_bytes()
    return FileRecord(len(data), f"{zlib.crc32(data):08x}", hashlib.sha256(data).hexdigest())


def sealed(fields: dict[str, Any]) -> str:
    """The text of a ``pack.toml``: the fields, and a last line with the CRC-32 of all before it."""
    text = tomli_w.dumps(fields, multiline_strings=False)
    return f"{text}{_SEAL}{zlib.crc32(text.encode()):08x}\n"


def written_format(info: PackInfo) -> int:
    """The format a pack is written in: the oldest that holds it, so that versions before this read what they can."""
    return 1 if info.context is None else 2


def finish_folder(folder: Path, info: PackInfo) -> PackInfo:
    """Record the files of a pack's folder and write its ``pack.toml``; the info with the records."""
    names = [*PACK_FILES, *([CONTEXT_FILE] if info.context else [])]
    files = {name: record_file(folder / name) for name in names}
    finished = msgspec.structs.replace(info, format=written_format(info), files=files)
    with atomic_write(folder / "pack.toml") as out:
        out.write(sealed(_said(msgspec.to_builtins(finished))))
    return finished


def _said(fields: Any) -> Any:
    """Plain values without those that are None, for which TOML has no word."""
    if isinstance(fields, dict):
        return {name: _said(value) for name, value in fields.items() if value is not None}
    return [_said(value) for value in fields] if isinstance(fields, list) else fields


def _check_seal(path: Path) -> None:
    text, seal, stated = path.read_bytes().rpartition(_SEAL.encode())
    if not seal or stated.strip() != f"{zlib.crc32(text):08x}".encode():
        raise damaged("damaged or edited: its last line is not its checksum", path, fix=_AGAIN)


def read_info(folder: Path) -> PackInfo:
    """Read ``pack.toml``. A newer format gets an error of its own, before any other field is looked at."""
    path = folder / "pack.toml"
    raw = read_toml(path, PackError)
    version = raw.get("format")
    if not isinstance(version, int) or version < 1:
        raise damaged("no pack format", path, "format")
    if version > FORMAT:
        problem = f"pack format {version} is newer than {FORMAT}, which this version reads"
        raise damaged(problem, path, "format", "upgrade nearkey")
    _check_seal(path)
    info = convert(raw, PackInfo, error=PackError, where=path, fix="rebuild the pack")
    wanted = [*PACK_FILES, *([CONTEXT_FILE] if info.context else [])]
    missing = [name for name in wanted if name not in info.files]
    if missing:
        raise damaged("no record of the file", path, missing[0])
    return info


def verify_files(folder: Path, info: PackInfo, *, thorough: bool = False) -> dict[str, Any]:
    """Check size and CRC-32 (`thorough`: SHA-256 too) of every file; their mapped bytes by name."""
    mapped: dict[str, Any] = {}
    for name, record in info.files.items():
        path = folder / name
        if Path(name).name != name:
            raise PackError("not a plain file name", where=folder, field=name)
        # What is small is read, and cannot change any more; the tables are mapped.
        data = map_bytes(path) if name.endswith((".ngram", CONTEXT_FILE)) else read_bytes(path)
        if data.size != record.bytes:
            problem = f"{data.size} bytes where pack.toml says {record.bytes}"
            raise damaged(problem, path, fix=_AGAIN)
        view: memoryview = data.data
        flawed = f"{zlib.crc32(view):08x}" != record.crc32
        if thorough and not flawed:
            flawed = hashlib.sha256(view).hexdigest() != record.sha256
        if flawed:
            raise damaged("damaged: its checksum is not the one in pack.toml", path, fix=_AGAIN)
        mapped[name] = data
    return mapped
