"""The n-gram table file, format 1: header, checks, and writing.

The format is set out in the developers' guide. Reading is done by the compiled kernel over the mapped
bytes; this module checks the header first, so that a wrong or damaged file gets a plain message.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import PackError
from nearkey.language.arrays import damaged, pad8

MAGIC = b"NKNGRAM1"
HEADER_BYTES = 256
MAX_ORDER = 5
_STRUCT = struct.Struct("<8s7I4x5Q")

Array = np.ndarray[Any, Any]


@dataclass(frozen=True, slots=True)
class NgramHeader:
    """What the first 256 bytes say."""

    order: int
    vocab_size: int
    id_bytes: int
    value_bytes: int
    bos: int
    eos: int
    unk: int
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class NgramLevel:
    """One order, sorted by (parent, id). For 1-byte values `log_prob` and `backoff` are indices into
    the code books; elsewhere float32. Order 1 needs no `ids`; the highest has no `backoff` and `child`."""

    log_prob: Array
    ids: Array | None = None
    backoff: Array | None = None
    child: Array | None = None
    log_prob_book: Array | None = None
    backoff_book: Array | None = None


def _id_bytes(vocab_size: int) -> int:
    return 2 if vocab_size <= 1 << 16 else 4


def _sections(
    counts: Sequence[int], id_bytes: int, value_bytes: int
) -> Iterator[tuple[int, str, str, int]]:
    """(level from 0, field of `NgramLevel`, type, length) of all that follows the header, in its order."""
    for level, count in enumerate(counts):
        last = level == len(counts) - 1
        value = "<f4" if level == 0 or value_bytes == 4 else "<u1"
        if value == "<u1":
            yield level, "log_prob_book", "<f4", 256
            if not last:
                yield level, "backoff_book", "<f4", 256
        if level > 0:
            yield level, "ids", f"<u{id_bytes}", count
        yield level, "log_prob", value, count
        if not last:
            yield level, "backoff", value, count
            yield level, "child", "<u4", count + 1


def file_size(counts: Sequence[int], *, id_bytes: int | None = None, value_bytes: int = 1) -> int:
    """Bytes of a file with these numbers of n-grams per order; ids as wide as their vocabulary needs."""
    sizes = (
        np.dtype(kind).itemsize * length
        for _, _, kind, length in _sections(counts, id_bytes or _id_bytes(counts[0]), value_bytes)
    )
    return HEADER_BYTES + sum(size + pad8(size) for size in sizes)


def fits_in(max_bytes: float) -> Callable[[Sequence[int]], bool]:
    """Whether a table of 1-byte values with so many n-grams per order keeps within `max_bytes`."""
    return lambda counts: file_size(counts) <= max_bytes


def read_header(data: Array, where: str | os.PathLike[str]) -> NgramHeader:
    """The header of a mapped table, checked, and the length with it; PackError names the byte at fault.

    What lies behind it is checked by the kernel, as it is mapped.
    """
    if data.size < HEADER_BYTES:
        raise damaged(f"{data.size} bytes are too few for a table", where, "byte 0")
    magic, *fields = _STRUCT.unpack(data[: _STRUCT.size].tobytes())
    order, vocab, id_bytes, value_bytes, bos, eos, unk = fields[:7]
    counts = tuple(fields[7 : 7 + order])
    if magic != MAGIC and magic[:7] == MAGIC[:7]:
        raise PackError(
            f"table format {magic[7:].decode('latin-1')!r} is not known to this version",
            where=where,
            field="byte 7",
            fix="upgrade nearkey, or rebuild the pack",
        )
    wide_enough = id_bytes == 4 or (id_bytes == 2 and vocab <= 1 << 16)
    checks = [
        (0, magic == MAGIC, "not an n-gram table"),
        (8, 1 <= order <= MAX_ORDER, f"order {order} is outside 1 … {MAX_ORDER}"),
        (16, wide_enough, f"{id_bytes} bytes an id do not fit {vocab} tokens"),
        (20, value_bytes in (1, 4), f"{value_bytes} bytes a value"),
        *(
            (byte, token < vocab, f"token {token} is outside the vocabulary of {vocab}")
            for byte, token in ((24, bos), (28, eos), (32, unk))
        ),
        (40, counts[:1] == (vocab,) and max(counts) < 1 << 32, "impossible number of n-grams"),
    ]
    for byte, sound, problem in checks:
        if not sound:
            raise damaged(problem, where, f"byte {byte}")
    size = file_size(counts, id_bytes=id_bytes, value_bytes=value_bytes)
    if data.size != size:
        raise damaged(f"{data.size} bytes where the header says {size}", where, f"byte {data.size}")
    return NgramHeader(order, vocab, id_bytes, value_bytes, bos, eos, unk, counts)


def read_levels(data: Array, header: NgramHeader) -> list[NgramLevel]:
    """The levels of a mapped table, as views."""
    fields: list[dict[str, Array]] = [{} for _ in header.counts]
    at = HEADER_BYTES
    for level, name, kind, length in _sections(header.counts, header.id_bytes, header.value_bytes):
        size = np.dtype(kind).itemsize * length
        fields[level][name] = data[at : at + size].view(kind)
        at += size + pad8(size)
    return [NgramLevel(**found) for found in fields]


def write_ngram_file(
    path: str | os.PathLike[str],
    levels: Sequence[NgramLevel],
    *,
    bos: int,
    eos: int,
    unk: int,
    value_bytes: int,
) -> None:
    """Write a table; `levels[0]` is order 1 with float32 values."""
    counts = [len(level.log_prob) for level in levels]
    vocab, id_bytes = counts[0], _id_bytes(counts[0])
    padding = [0] * (MAX_ORDER - len(counts))
    header = _STRUCT.pack(
        MAGIC, len(levels), vocab, id_bytes, value_bytes, bos, eos, unk, *counts, *padding
    )
    with Path(path).open("wb") as out:
        out.write(header.ljust(HEADER_BYTES, b"\0"))
        for level, name, kind, _ in _sections(counts, id_bytes, value_bytes):
            section = np.ascontiguousarray(getattr(levels[level], name), dtype=kind).tobytes()
            out.write(section + b"\0" * pad8(len(section)))
