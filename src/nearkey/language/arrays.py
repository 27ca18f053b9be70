"""A small container for named arrays: checked at the door, no pickle.

Layout: 8 bytes ``NKARRAY1``, u32 length of the header, u32 zero, the header (JSON), then each array,
little-endian, padded to 8 bytes. The header maps a name to ``[dtype, [shape], offset]``, offsets
counted from the first byte after the (padded) header, and holds free values under ``"meta"``.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from nearkey.errors import PackError
from nearkey.schema import decode

MAGIC = b"NKARRAY1"
_DTYPES = {
    "u1": "<u1",
    "u2": "<u2",
    "u4": "<u4",
    "u8": "<u8",
    "i4": "<i4",
    "f4": "<f4",
    "f8": "<f8",
}
_PREFIX = 16

Array = np.ndarray[Any, Any]


class _ArraysHeader(msgspec.Struct, forbid_unknown_fields=True):
    arrays: dict[str, tuple[str, list[int], int]]
    meta: dict[str, Any]


_DECODER = msgspec.json.Decoder(_ArraysHeader)


def damaged(
    problem: str,
    where: str | os.PathLike[str],
    field: str | None = None,
    fix: str = "rebuild the pack",
) -> PackError:
    """The error for a file of a pack that cannot be right."""
    return PackError(problem, where=where, field=field, fix=fix)


def write_arrays(
    path: str | os.PathLike[str],
    arrays: Mapping[str, Array],
    *,
    meta: Mapping[str, Any] | None = None,
) -> None:
    """Write `arrays` (of the types u1 u2 u4 u8 i4 f4 f8) and JSON-able `meta`; equal input, equal bytes."""
    entries: dict[str, tuple[str, list[int], int]] = {}
    parts: list[bytes] = []
    offset = 0
    for name, array in arrays.items():
        code = array.dtype.str[1:]
        if code not in _DTYPES:
            raise TypeError(
                f"array {name!r} has type {array.dtype}, not one of {', '.join(_DTYPES)}"
            )
        data = np.ascontiguousarray(array, dtype=_DTYPES[code]).tobytes()
        entries[name] = (code, list(array.shape), offset)
        parts.append(data + b"\0" * (-len(data) % 8))
        offset += len(parts[-1])
    header = msgspec.json.encode(
        _ArraysHeader(arrays=entries, meta=dict(meta or {})), order="deterministic"
    )
    header += b" " * (-len(header) % 8)
    prefix = MAGIC + len(header).to_bytes(4, "little") + bytes(4)
    Path(path).write_bytes(b"".join([prefix, header, *parts]))


def map_bytes(path: str | os.PathLike[str]) -> Array:
    """The file's bytes as a read-only memory map, shape ``(size,)``; PackError when it cannot be read."""
    try:
        # A plain array over the map: numpy's subclass makes each look-up several times slower.
        return np.asarray(np.memmap(path, dtype=np.uint8, mode="r"))
    except FileNotFoundError:
        raise damaged("no such file", path) from None
    except (OSError, ValueError) as fault:
        raise damaged(f"cannot be mapped: {fault}", path) from None


def read_bytes(path: str | os.PathLike[str]) -> Array:
    """The file's bytes in memory, shape ``(size,)``; PackError when it cannot be read."""
    try:
        return np.frombuffer(Path(path).read_bytes(), dtype=np.uint8)
    except FileNotFoundError:
        raise damaged("no such file", path) from None
    except OSError as fault:
        raise damaged(f"cannot be read: {fault.strerror or fault}", path) from None


def read_arrays(
    path: str | os.PathLike[str], *, data: Array | None = None
) -> tuple[dict[str, Array], dict[str, Any]]:
    """Views of the arrays in the file, and its meta values.

    `data` are the file's bytes where the caller has them already. Raises PackError for a wrong
    magic, a damaged header, an unknown type, or an array outside the file.
    """
    name = os.fspath(path)
    data = read_bytes(path) if data is None else data
    if data.size < _PREFIX or data[:8].tobytes() != MAGIC:
        raise damaged("not a nearkey array file", name, "byte 0")
    length = int.from_bytes(data[8:12].tobytes(), "little")
    start = _PREFIX + length
    if start > data.size:
        raise damaged("cut short in its header", name, "byte 8")
    header = decode(
        data[_PREFIX:start].tobytes(),
        _DECODER,
        error=PackError,
        where=name,
        place="header",
        fix="rebuild the pack",
    )
    arrays: dict[str, Array] = {}
    for key, (code, shape, offset) in header.arrays.items():
        sides = len(shape) in (1, 2) and all(0 <= side <= data.size for side in shape)
        if code not in _DTYPES or not sides or not 0 <= offset <= data.size or offset % 8:
            raise damaged("damaged entry", name, key[:40])
        dtype = np.dtype(_DTYPES[code])
        size = dtype.itemsize * math.prod(shape)
        if start + offset + size > data.size:
            raise damaged("reaches past the end", name, key[:40])
        arrays[key] = data[start + offset : start + offset + size].view(dtype).reshape(shape)
    return arrays, header.meta


def take_arrays(arrays: Mapping[str, Array], where: Path, **kinds: str) -> tuple[Array, ...]:
    """The arrays of these names, in this order; PackError where one is missing or not of its kind.

    kinds : the type of an array of one dimension, "f4"; or "f4/2", of two.
    """
    for name, kind in kinds.items():
        code, _, n_dims = kind.partition("/")
        array = arrays.get(name)
        if array is None or array.dtype.str[1:] != code or array.ndim != int(n_dims or 1):
            raise damaged("missing or of a wrong type", where, name)
    return tuple(arrays[name] for name in kinds)


def pack_texts(texts: Sequence[str]) -> dict[str, Array]:
    """Texts as two arrays: `offset` ``(n + 1,)`` into the bytes of `text`, UTF-8."""
    encoded = [text.encode("utf-8") for text in texts]
    ends = np.concatenate(([0], np.cumsum([len(data) for data in encoded])))
    return {
        "offset": ends.astype(np.uint32),
        "text": np.frombuffer(b"".join(encoded), dtype=np.uint8),
    }


def check_texts(offset: Array, text: Array, where: str | os.PathLike[str]) -> None:
    """PackError unless `offset` ``(n + 1,)`` cuts all of `text` into pieces of whole UTF-8 characters."""
    if len(offset) < 1 or offset[0] != 0 or offset[-1] != len(text):
        raise damaged("does not fit the text", where, "offset")
    if np.any(offset[1:] < offset[:-1]):
        raise damaged("texts overlap", where, "offset")
    try:
        text.tobytes().decode("utf-8")
    except UnicodeDecodeError as fault:
        raise damaged(f"not UTF-8 at byte {fault.start}", where, "text") from None
    starts = offset[:-1][offset[:-1] < len(text)]
    if np.any(text[starts] & 0xC0 == 0x80):  # a byte that goes on with a character
        raise damaged("cut inside a character", where, "offset")


def unpack_texts(offset: Array, text: Array) -> tuple[str, ...]:
    """The texts that `pack_texts` packed."""
    data, ends = text.tobytes(), offset.tolist()
    if data.isascii():
        whole = data.decode("ascii")
        return tuple(whole[a:b] for a, b in pairwise(ends))
    return tuple(data[a:b].decode("utf-8") for a, b in pairwise(ends))
