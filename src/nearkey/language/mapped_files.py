"""The mapped files of a pack, n-gram tables and the context model, both of format 1: headers, checks, and writing.

The formats are set out in the developers' guide. Reading is done by the compiled kernel over the mapped
bytes; this module checks the header first, so that a wrong or damaged file gets a plain message.
"""

from __future__ import annotations

import math
import os
import struct
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.language.arrays import damaged
from nearkey.language.tokens import BOS, EOS, UNK

Array = np.ndarray[Any, Any]
Section = tuple[str, str, tuple[int, ...]]
"""Name, type and shape of one of the arrays behind a header; the rows of a matrix are padded to 32 columns there."""
_COLUMNS = 32


@dataclass(frozen=True, slots=True)
class _Format:
    """What the files of one kind have in common: its name, the header's first bytes, numbers and size, and to what
    multiple of bytes the sections behind it are padded."""

    what: str
    magic: bytes
    numbers: struct.Struct
    n_bytes: int
    alignment: int

    def unpacked(self, data: Array, where: str) -> list[int]:
        """The numbers of a file's header; PackError for another file, or another format of it."""
        if data.size < self.n_bytes:
            raise damaged(f"{data.size} bytes are too few for {self.what}", where, "byte 0")
        magic, *numbers = self.numbers.unpack(data[: self.numbers.size].tobytes())
        if magic != self.magic and magic[:7] == self.magic[:7]:
            problem = f"format {magic[7:].decode('latin-1')!r} of {self.what} is not known to this version"
            raise damaged(problem, where, "byte 7", "upgrade nearkey, or rebuild the pack")
        if magic != self.magic:
            raise damaged(f"not {self.what}", where, "byte 0")
        return numbers

    def size(self, sections: Iterable[Section]) -> int:
        """Bytes of a file of these sections."""
        sizes = (np.dtype(kind).itemsize * math.prod(_stored(shape)) for _, kind, shape in sections)
        return self.n_bytes + sum(size + -size % self.alignment for size in sizes)

    def read(self, data: Array, sections: Iterable[Section]) -> dict[str, Array]:
        """The sections of a mapped file, as views."""
        found: dict[str, Array] = {}
        at = self.n_bytes
        for name, kind, shape in sections:
            size = np.dtype(kind).itemsize * math.prod(_stored(shape))
            whole = data[at : at + size].view(kind).reshape(_stored(shape))
            found[name] = whole[:, : shape[1]] if len(shape) > 1 else whole
            at += size + -size % self.alignment
        return found

    def write(
        self,
        path: str | os.PathLike[str],
        numbers: Sequence[int],
        sections: Iterable[Section],
        arrays: Mapping[str, Array],
    ) -> None:
        """Write a file; ValueError for an array of another shape than its section's."""
        with Path(path).open("wb") as out:
            out.write(self.numbers.pack(self.magic, *numbers).ljust(self.n_bytes, b"\0"))
            for name, kind, shape in sections:
                if arrays[name].shape != shape:
                    raise ValueError(f"{name} has shape {arrays[name].shape}, not {shape}")
                padding = [(0, wide - own) for wide, own in zip(_stored(shape), shape, strict=True)]
                section = np.pad(arrays[name], padding).astype(kind).tobytes()
                out.write(section + b"\0" * (-len(section) % self.alignment))


def _stored(shape: tuple[int, ...]) -> tuple[int, ...]:
    """The shape with the padding of its rows."""
    return (*shape[:1], *(side + -side % _COLUMNS for side in shape[1:]))


def _check(checks: Iterable[tuple[int, bool, str]], where: str) -> None:
    """PackError at the first of (byte, whether it is sound, problem) that is not."""
    for byte, sound, problem in checks:
        if not sound:
            raise damaged(problem, where, f"byte {byte}")


def _check_size(data: Array, size: int, where: str) -> None:
    problem = f"{data.size} bytes where the header says {size}"
    _check([(min(data.size, size), data.size == size, problem)], where)


# ---- n-gram tables ----

_NGRAMS = _Format("an n-gram table", b"NKNGRAM1", struct.Struct("<8s7I4x5Q"), 256, 8)
MAX_ORDER = 5


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


def _ngram_sections(counts: Sequence[int], id_bytes: int, value_bytes: int) -> Iterator[Section]:
    """All that follows the header, in its order, each named by its level from 0 and the field of `NgramLevel`."""
    for level, count in enumerate(counts):
        last = level == len(counts) - 1
        value = "<f4" if level == 0 or value_bytes == 4 else "<u1"
        if value == "<u1":
            yield f"{level}.log_prob_book", "<f4", (256,)
            if not last:
                yield f"{level}.backoff_book", "<f4", (256,)
        if level > 0:
            yield f"{level}.ids", f"<u{id_bytes}", (count,)
        yield f"{level}.log_prob", value, (count,)
        if not last:
            yield f"{level}.backoff", value, (count,)
            yield f"{level}.child", "<u4", (count + 1,)


def file_size(counts: Sequence[int], *, id_bytes: int | None = None, value_bytes: int = 1) -> int:
    """Bytes of a file with these numbers of n-grams per order; ids as wide as their vocabulary needs."""
    sections = _ngram_sections(counts, id_bytes or _id_bytes(counts[0]), value_bytes)
    return _NGRAMS.size(sections)


def fits_in(max_bytes: float) -> Callable[[Sequence[int]], bool]:
    """Whether a table of 1-byte values with so many n-grams per order keeps within `max_bytes`."""
    return lambda counts: file_size(counts) <= max_bytes


def read_header(data: Array, where: str | os.PathLike[str]) -> NgramHeader:
    """The header of a mapped table, checked, and the length with it; PackError names the byte at fault.

    What lies behind it is checked by the kernel, as it is mapped.
    """
    where = os.fspath(where)
    order, vocab, id_bytes, value_bytes, bos, eos, unk, *counted = _NGRAMS.unpacked(data, where)
    counts = tuple(counted[:order])
    wide_enough = id_bytes == 4 or (id_bytes == 2 and vocab <= 1 << 16)
    checks = [
        (8, 1 <= order <= MAX_ORDER, f"order {order} is outside 1 … {MAX_ORDER}"),
        (16, wide_enough, f"{id_bytes} bytes an id do not fit {vocab} tokens"),
        (20, value_bytes in (1, 4), f"{value_bytes} bytes a value"),
        *(
            (byte, token < vocab, f"token {token} is outside the vocabulary of {vocab}")
            for byte, token in ((24, bos), (28, eos), (32, unk))
        ),
        (40, counts[:1] == (vocab,) and max(counts) < 1 << 32, "impossible number of n-grams"),
    ]
    _check(checks, where)
    _check_size(data, file_size(counts, id_bytes=id_bytes, value_bytes=value_bytes), where)
    return NgramHeader(order, vocab, id_bytes, value_bytes, bos, eos, unk, counts)


def read_levels(data: Array, header: NgramHeader) -> list[NgramLevel]:
    """The levels of a mapped table, as views."""
    sections = _ngram_sections(header.counts, header.id_bytes, header.value_bytes)
    found: list[dict[str, Array]] = [{} for _ in header.counts]
    for name, array in _NGRAMS.read(data, sections).items():
        level, _, field = name.partition(".")
        found[int(level)][field] = array
    return [NgramLevel(**arrays) for arrays in found]


def write_ngram_file(
    path: str | os.PathLike[str], levels: Sequence[NgramLevel], *, value_bytes: int
) -> None:
    """Write a table; `levels[0]` is order 1 with float32 values."""
    counts = [len(level.log_prob) for level in levels]
    id_bytes = _id_bytes(counts[0])
    unused = [0] * (MAX_ORDER - len(counts))
    numbers = [len(levels), counts[0], id_bytes, value_bytes, BOS, EOS, UNK, *counts, *unused]
    arrays = {
        f"{number}.{field.name}": getattr(level, field.name)
        for number, level in enumerate(levels)
        for field in fields(level)
    }
    _NGRAMS.write(path, numbers, _ngram_sections(counts, id_bytes, value_bytes), arrays)


# ---- the context model ----

_CONTEXT = _Format("a context model", b"NKCONTX1", struct.Struct("<8s7I"), 64, 64)


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

    def sections(self) -> Iterator[Section]:
        """(name, type, shape) of all that follows the header, in its order."""

        def matrix(name: str, rows: int, columns: int) -> Iterator[Section]:
            yield f"{name}.scale", "<f4", (rows,)
            yield name, "<i1", (rows, columns)

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
        return _CONTEXT.size(self.sections())

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
    header = ContextHeader(*_CONTEXT.unpacked(data, where))
    split = header.head < header.vocab_size
    checks = [
        (8, 0 < header.vocab_size <= 1 << 24, f"{header.vocab_size} tokens"),
        (12, 0 < header.width <= 4096, f"width {header.width}"),
        (16, 0 < header.cells <= 16384, f"{header.cells} cells"),
        (20, 0 < header.layers <= 16, f"{header.layers} layers"),
        (24, header.head <= header.vocab_size, f"{header.head} whole vectors"),
        (28, split == (0 < header.tail_width <= 4096), f"short vectors {header.tail_width} wide"),
        (32, header.bos < header.vocab_size, f"token {header.bos} is outside the vocabulary"),
    ]
    _check(checks, where)
    _check_size(data, header.n_bytes, where)
    return header


def read_context_arrays(data: Array, header: ContextHeader) -> dict[str, Array]:
    """The sections of a mapped file, as views, rows without their padding."""
    return _CONTEXT.read(data, header.sections())


def write_context_file(path: str | os.PathLike[str], arrays: Mapping[str, Array]) -> ContextHeader:
    """Write a context model.

    Parameters
    ----------
    path : the file.
    arrays : by name, matrices as int8 rows without padding, each with a float32 ``NAME.scale`` (n_rows,): ``head``
        (h, width), for h < vocabulary ``tail`` (vocabulary - h, tail width) and ``widen`` (tail width, width); for
        each layer ``inputN`` and ``recurN`` (4 cells, width), ``projectN`` (width, cells) and the vector ``gatesN``
        (4 cells,); the vectors ``bias`` (vocabulary,) and ``order``, token ids in the order of the rows.

    Raises ValueError for arrays whose shapes do not fit each other.
    """
    head, width = arrays["head"].shape
    vocab_size = len(arrays["order"])
    layers = sum(name.startswith("gates") for name in arrays)
    tail_width = arrays["tail"].shape[1] if head < vocab_size else 0
    cells = arrays["project0"].shape[1]
    header = ContextHeader(vocab_size, width, cells, layers, head, tail_width, BOS)
    _CONTEXT.write(path, astuple(header), header.sections(), arrays)
    return header
