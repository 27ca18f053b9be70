"""The context model's file, format 1: header, checks, and writing.

The format is set out in the developers' guide. Reading is done by the compiled kernel over the mapped
bytes; this module checks the header first, so that a wrong or damaged file gets a plain message.
"""

from __future__ import annotations

import math
import os
import struct
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import PackError
from nearkey.language.arrays import damaged

MAGIC = b"NKCONTX1"
HEADER_BYTES = 64
_STRUCT = struct.Struct("<8s7I")
_COLUMNS = 32
_ALIGNMENT = 64

Array = np.ndarray[Any, Any]


@dataclass(frozen=True, slots=True)
class ContextHeader:
    """What the first 64 bytes say.

    vocab_size : tokens. width : of whole vectors and of outputs. cells, layers : of the network. head : how many of
    the most frequent tokens have whole vectors; tail_width : width of the others', 0 where there are none. bos : the
    token that starts a sentence, which is never predicted.
    """

    vocab_size: int
    width: int
    cells: int
    layers: int
    head: int
    tail_width: int
    bos: int

    def sections(self) -> Iterator[tuple[str, str, tuple[int, ...]]]:
        """(name, type, shape) of all that follows the header, in its order; rows are padded to 32 columns."""

        def matrix(
            name: str, rows: int, columns: int
        ) -> Iterator[tuple[str, str, tuple[int, ...]]]:
            yield f"{name}.scale", "<f4", (rows,)
            yield name, "<i1", (rows, columns + -columns % _COLUMNS)

        yield "order", "<u4", (self.vocab_size,)
        yield "bias", "<f4", (self.vocab_size,)
        yield from matrix("head", self.head, self.width)
        if self.head < self.vocab_size:
            yield from matrix("tail", self.vocab_size - self.head, self.tail_width)
            yield from matrix("widen", self.tail_width, self.width)
        for layer in range(self.layers):
            yield from matrix(f"input{layer}", 4 * self.cells, self.width)
            yield from matrix(f"recur{layer}", 4 * self.cells, self.width)
            yield f"gates{layer}", "<f4", (4 * self.cells,)
            yield from matrix(f"project{layer}", self.width, self.cells)

    @property
    def n_bytes(self) -> int:
        """Size of the whole file."""
        sizes = (np.dtype(kind).itemsize * math.prod(shape) for _, kind, shape in self.sections())
        return HEADER_BYTES + sum(size + -size % _ALIGNMENT for size in sizes)

    @property
    def parameters(self) -> int:
        """Weights and biases, without scales, order and padding."""
        known = self.vocab_size + self.head * self.width
        if self.head < self.vocab_size:
            known += self.tail_width * (self.vocab_size - self.head + self.width)
        return known + self.layers * (9 * self.cells * self.width + 4 * self.cells)


def read_context_header(data: Array, where: str) -> ContextHeader:
    """The header of a mapped file, checked, and the length with it; PackError names the byte at fault.

    What lies behind it is checked by the kernel, as it is mapped.
    """
    if data.size < HEADER_BYTES:
        raise damaged(f"{data.size} bytes are too few for a context model", where, "byte 0")
    magic, *fields = _STRUCT.unpack(data[: _STRUCT.size].tobytes())
    if magic != MAGIC and magic[:7] == MAGIC[:7]:
        raise PackError(
            f"context model format {magic[7:].decode('latin-1')!r} is not known to this version",
            where=where,
            field="byte 7",
            fix="upgrade nearkey, or rebuild the pack",
        )
    header = ContextHeader(*fields)
    split = header.head < header.vocab_size
    checks = [
        (0, magic == MAGIC, "not a context model"),
        (8, 0 < header.vocab_size <= 1 << 24, f"{header.vocab_size} tokens"),
        (12, 0 < header.width <= 4096, f"width {header.width}"),
        (16, 0 < header.cells <= 16384, f"{header.cells} cells"),
        (20, 0 < header.layers <= 16, f"{header.layers} layers"),
        (24, header.head <= header.vocab_size, f"{header.head} whole vectors"),
        (28, split == (0 < header.tail_width <= 4096), f"short vectors {header.tail_width} wide"),
        (32, header.bos < header.vocab_size, f"token {header.bos} is outside the vocabulary"),
    ]
    for byte, sound, problem in checks:
        if not sound:
            raise damaged(problem, where, f"byte {byte}")
    if data.size != header.n_bytes:
        problem = f"{data.size} bytes where the header says {header.n_bytes}"
        raise damaged(problem, where, f"byte {min(data.size, header.n_bytes)}")
    return header


def read_context_arrays(data: Array, header: ContextHeader) -> dict[str, Array]:
    """The sections of a mapped file, as views, rows with their padding."""
    found: dict[str, Array] = {}
    at = HEADER_BYTES
    for name, kind, shape in header.sections():
        size = np.dtype(kind).itemsize * math.prod(shape)
        found[name] = data[at : at + size].view(kind).reshape(shape)
        at += size + -size % _ALIGNMENT
    return found


def write_context_file(
    path: str | os.PathLike[str], arrays: Mapping[str, Array], *, bos: int
) -> ContextHeader:
    """Write a context model.

    Parameters
    ----------
    path : the file.
    arrays : by name, matrices as int8 rows without padding, each with a float32 ``NAME.scale`` (n_rows,): ``head``
        (h, width), for h < vocabulary ``tail`` (vocabulary - h, tail width) and ``widen`` (tail width, width); for
        each layer ``inputN`` and ``recurN`` (4 cells, width), ``projectN`` (width, cells) and the vector ``gatesN``
        (4 cells,); the vectors ``bias`` (vocabulary,) and ``order``, token ids in the order of the rows.
    bos : token that starts a sentence.

    Raises ValueError for arrays whose shapes do not fit each other.
    """
    head, width = arrays["head"].shape
    vocab_size = len(arrays["order"])
    layers = sum(name.startswith("gates") for name in arrays)
    tail_width = arrays["tail"].shape[1] if head < vocab_size else 0
    cells = arrays["project0"].shape[1]
    header = ContextHeader(vocab_size, width, cells, layers, head, tail_width, bos)
    with Path(path).open("wb") as out:
        out.write(_STRUCT.pack(MAGIC, *astuple(header)).ljust(HEADER_BYTES, b"\0"))
        for name, kind, shape in header.sections():
            array = arrays[name]
            if array.ndim == 2 and array.shape[1] != shape[1]:
                array = np.pad(array, ((0, 0), (0, shape[1] - array.shape[1])))
            if array.shape != shape:
                raise ValueError(f"{name} has shape {array.shape}, not {shape}")
            section = np.ascontiguousarray(array, dtype=kind).tobytes()
            out.write(section + b"\0" * (-len(section) % _ALIGNMENT))
    return header
