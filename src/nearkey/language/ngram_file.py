"""The n-gram table file, format 1: header, checks, and writing.

The format is set out in the developers' guide. Reading is done by the compiled kernel over the mapped
bytes; this module checks the header first, so that a wrong or damaged file gets a plain message.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import PackError
from nearkey.language.arrays import pad8

__all__ = ["NgramHeader", "NgramLevel", "file_size", "read_header", "write_ngram_file"]

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
    the code books; elsewhere float32. `backoff` and `child` are None for the highest order."""

    ids: Array
    log_prob: Array
    backoff: Array | None
    child: Array | None
    log_prob_book: Array | None = None
    backoff_book: Array | None = None


def file_size(counts: Sequence[int], *, id_bytes: int, value_bytes: int) -> int:
    """Bytes of a file with these numbers of n-grams per order."""
    order = len(counts)
    total = HEADER_BYTES
    for number, count in enumerate(counts, start=1):
        sections: list[int] = []
        if number == 1:
            sections.append(4 * count)
            if order > 1:
                sections += [4 * count, 4 * (count + 1)]
        else:
            books = [1024] if value_bytes == 1 else []
            if number < order:
                sections += books * 2
                sections += [
                    id_bytes * count,
                    value_bytes * count,
                    value_bytes * count,
                    4 * count + 4,
                ]
            else:
                sections += [*books, id_bytes * count, value_bytes * count]
        total += sum(size + pad8(size) for size in sections)
    return total


def read_header(data: Array, where: str) -> NgramHeader:
    """Check the header and the length of a mapped table; PackError names the byte at fault."""

    def fault(problem: str, byte: int) -> PackError:
        return PackError(problem, where=where, field=f"byte {byte}", fix="rebuild the pack")

    if data.size < HEADER_BYTES:
        raise fault(f"{data.size} bytes are too few for a table", 0)
    magic, order, vocab, id_bytes, value_bytes, bos, eos, unk, *counts = _STRUCT.unpack(
        data[: _STRUCT.size].tobytes()
    )
    if magic != MAGIC:
        if magic[:7] == MAGIC[:7]:
            raise PackError(
                f"table format {magic[7:].decode('latin-1')!r} is not known to this version",
                where=where,
                field="byte 7",
                fix="upgrade nearkey, or rebuild the pack",
            )
        raise fault("not an n-gram table", 0)
    if not 1 <= order <= MAX_ORDER:
        raise fault(f"order {order} is outside 1 … {MAX_ORDER}", 8)
    if id_bytes not in (2, 4) or (id_bytes == 2 and vocab > 1 << 16):
        raise fault(f"{id_bytes} bytes an id do not fit {vocab} tokens", 16)
    if value_bytes not in (1, 4):
        raise fault(f"{value_bytes} bytes a value", 20)
    for byte, token in ((24, bos), (28, eos), (32, unk)):
        if token >= vocab:
            raise fault(f"token {token} is outside the vocabulary of {vocab}", byte)
    counts = counts[:order]
    if counts[0] != vocab or any(count >= 1 << 32 for count in counts):
        raise fault("impossible number of n-grams", 40)
    size = file_size(counts, id_bytes=id_bytes, value_bytes=value_bytes)
    if data.size != size:
        raise fault(f"{data.size} bytes where the header tells {size}", data.size)
    return NgramHeader(order, vocab, id_bytes, value_bytes, bos, eos, unk, tuple(counts))


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
    vocab = len(levels[0].ids)
    id_bytes = 2 if vocab <= 1 << 16 else 4
    counts = [len(level.ids) for level in levels]
    header = _STRUCT.pack(
        MAGIC,
        len(levels),
        vocab,
        id_bytes,
        value_bytes,
        bos,
        eos,
        unk,
        *counts,
        *[0] * (5 - len(counts)),
    )
    id_type = f"<u{id_bytes}"
    value_type = "<u1" if value_bytes == 1 else "<f4"
    with Path(path).open("wb") as out:

        def put(array: Array | None, dtype: str) -> None:
            assert array is not None
            data = np.ascontiguousarray(array, dtype=dtype).tobytes()
            out.write(data + b"\0" * pad8(len(data)))

        out.write(header.ljust(HEADER_BYTES, b"\0"))
        for number, level in enumerate(levels, start=1):
            last = number == len(levels)
            if number > 1:
                if value_bytes == 1:
                    put(level.log_prob_book, "<f4")
                    if not last:
                        put(level.backoff_book, "<f4")
                put(level.ids, id_type)
            put(level.log_prob, "<f4" if number == 1 else value_type)
            if not last:
                put(level.backoff, "<f4" if number == 1 else value_type)
                put(level.child, "<u4")
