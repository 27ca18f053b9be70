"""Counting n-grams by sorting packed keys and measuring runs; of more text than fits in memory, in sorted pieces on the
disk that are merged block by block."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import runs
from nearkey.language.tokens import BOS
from nearkey.packs.tree import IntArray, NgramTree, merge_trees, run_starts

_PART = 1 << 20
_PIECE = re.compile(r"[0-9a-f]{32}|nearkey-counts-.*")

BYTES_PER_TOKEN = 40
"""Memory that counting a piece needs for each of its tokens, measured for orders 3 to 5."""


@dataclass(frozen=True, slots=True)
class NgramCounts:
    """How often each n-gram occurs: `counts[k-1]` belongs to level k of `tree`."""

    tree: NgramTree
    counts: tuple[NDArray[np.int64], ...]


def count_ngrams(stream: NDArray[np.integer], *, order: int, vocab_size: int) -> NgramCounts:
    """Count the n-grams of every length up to `order` that lie within one sentence.

    `stream` is a 1-d array of token ids in which each sentence begins with ``<s>`` (id 1) and ends with
    ``</s>`` (id 2). Memory: about 24 bytes per token of the stream.
    """
    stream = np.ascontiguousarray(stream)
    size = len(stream)
    bits = max(1, int(vocab_size - 1).bit_length())
    counts = [_uses(stream, vocab_size)]
    sentence = np.cumsum(stream == BOS, dtype=np.int32) if order > 1 else np.zeros(0, np.int32)
    keys: list[IntArray] = []
    # Packed tokens of the n-gram that begins at each place; worked on in place, since fresh memory
    # costs more than the arithmetic.
    packed = stream.astype(np.uint64)
    packed_before = np.arange(
        vocab_size, dtype=np.uint64
    )  # the same code for each entry one level down
    used = bits
    for level in range(2, order + 1):
        end = max(0, size - level + 1)
        inside = sentence[:end] == sentence[level - 1 :]
        if used + bits > 64:  # replace the packed context by its rank
            distinct, rank = np.unique(packed, return_inverse=True)
            packed = rank.astype(np.uint64)
            packed_before = np.searchsorted(distinct, packed_before).astype(np.uint64)
            used = max(1, len(distinct).bit_length())
        packed = packed[:end]
        packed <<= np.uint64(bits)
        np.bitwise_or(packed, stream[level - 1 :], out=packed, dtype=np.uint64, casting="unsafe")
        ordered = packed[inside]
        ordered.sort()
        unique, times = runs(ordered)
        counts.append(times)
        del ordered
        context = unique >> np.uint64(bits)
        first = run_starts(context)
        parents = np.searchsorted(packed_before, context[first])
        parent = np.repeat(parents, np.diff(np.append(first, len(context))))
        parent *= vocab_size
        parent += (unique & np.uint64((1 << bits) - 1)).view(np.int64)
        keys.append(parent)
        packed_before = unique
        used += bits
    return NgramCounts(NgramTree(vocab_size, tuple(keys)), tuple(counts))


def _uses(stream: NDArray[np.integer], vocab_size: int) -> NDArray[np.int64]:
    """How often each token occurs, part by part: bincount copies what it is given to 8 bytes a token."""
    total = np.zeros(vocab_size, dtype=np.int64)
    for start in range(0, len(stream), _PART):
        part = np.bincount(stream[start : start + _PART])
        total[: len(part)] += part
    return total


def merge_counts(parts: Iterable[NgramCounts]) -> NgramCounts:
    """Add up the counts of several pieces of text; equal to counting them together."""
    parts = list(parts)
    return NgramCounts(
        *merge_trees([part.tree for part in parts], [part.counts for part in parts])[:2]
    )


# ---- in pieces on the disk ----


def count_in_pieces(
    streams: Iterable[NDArray[np.integer[Any]]],
    *,
    order: int,
    vocab_size: int,
    max_bytes: int = 1 << 30,
    workers: int = 1,
    work: Path | None = None,
    on_piece: Callable[[int], None] = lambda done: None,
) -> NgramCounts:
    """Count the n-grams of a long text given in parts; the same result as counting it at once.

    order, vocab_size : as for `count_ngrams`. Each of `streams` holds whole sentences (``<s>`` … ``</s>``).
    Parts are gathered into pieces that `max_bytes` of memory can sort (shared by `workers` threads); each
    piece's sorted counts go to the disk and are then merged in blocks. What is left in memory is the result
    itself. A text that fits in one piece never touches the disk.

    The pieces go to a temporary folder, or into `work`: there they stay, under names made of what they
    count, and an interrupted counting finds them when it is run again. Then
    `remove_pieces` removes them.
    `on_piece` is called with the number of pieces counted.
    """
    room = max(1, max_bytes // BYTES_PER_TOKEN // workers)
    pieces = _pieces(streams, room)
    first = next(pieces, np.zeros(0, dtype=np.int64))
    second = next(pieces, None)
    if second is None:
        return count_ngrams(first, order=order, vocab_size=vocab_size)
    if work is not None:  # the text can be made out from the counts: a folder for its owner alone
        work.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="nearkey-counts-", dir=work) as temporary:
        base = Path(temporary) if work is None else work

        def spill(piece: NDArray[np.integer[Any]]) -> Path:
            folder = base / _piece_name(piece, order, vocab_size)
            if folder.is_dir():  # counted before the interruption, or a piece just like this one
                return folder
            counts = count_ngrams(piece, order=order, vocab_size=vocab_size)
            unfinished = Path(tempfile.mkdtemp(dir=temporary))
            for level, array in enumerate(counts.counts, start=1):
                _save(unfinished / f"counts{level}.npy", array)
            for level, array in enumerate(counts.tree.keys, start=2):
                _save(unfinished / f"keys{level}.npy", array)
            try:
                unfinished.rename(folder)
            except OSError:
                if not folder.is_dir():  # else another thread had a piece just like this one
                    raise
            return folder

        pending: deque[Future[Path]] = deque()
        folders: list[Path] = []

        def gather(most: int) -> None:
            while len(pending) > most:
                folders.append(pending.popleft().result())
                on_piece(len(folders))

        with ThreadPoolExecutor(workers) as pool:
            for piece in chain([first, second], pieces):
                gather(workers - 1)
                pending.append(pool.submit(spill, piece))
            gather(0)

        def scratch(level: int, number: int, size: int) -> IntArray:
            file = Path(temporary) / f"place{level}-{number}.npy"
            return np.lib.format.open_memmap(file, mode="w+", dtype=np.int64, shape=(size,))

        trees = [NgramTree(vocab_size, _OnDisk(folder, "keys", 2, order)) for folder in folders]
        counted = [_OnDisk(folder, "counts", 1, order) for folder in folders]
        return NgramCounts(*merge_trees(trees, counted, block=room, scratch=scratch)[:2])


def remove_pieces(work: Path) -> None:
    """Remove what `count_in_pieces` left in `work`, and the folder if nothing else is in it."""
    for folder in work.glob("*"):
        if _PIECE.fullmatch(folder.name):
            shutil.rmtree(folder, ignore_errors=True)
    with suppress(OSError):  # not there, or not empty
        work.rmdir()


def _piece_name(piece: NDArray[np.integer[Any]], order: int, vocab_size: int) -> str:
    digest = hashlib.blake2b(f"{order} {vocab_size} {piece.dtype.str}".encode(), digest_size=16)
    digest.update(np.ascontiguousarray(piece).data)
    return digest.hexdigest()


def _pieces(
    streams: Iterable[NDArray[np.integer[Any]]], room: int
) -> Iterator[NDArray[np.integer[Any]]]:
    """The streams joined, or cut between sentences, into arrays of about `room` tokens."""
    held: list[NDArray[np.integer[Any]]] = []
    size = 0
    for stream in streams:
        for part in _cut(stream, room):
            if held and size + len(part) > room:
                yield np.concatenate(held)
                held, size = [], 0
            held.append(part)
            size += len(part)
    if held:
        yield held[0] if len(held) == 1 else np.concatenate(held)


def _cut(stream: NDArray[np.integer[Any]], room: int) -> Iterator[NDArray[np.integer[Any]]]:
    """Whole sentences of at most `room` tokens in all; a longer sentence stays whole."""
    if len(stream) <= room:
        yield stream
        return
    begins = np.append(np.flatnonzero(stream == BOS), len(stream))
    start = 0
    while start < len(stream):
        last = int(np.searchsorted(begins, start + room, side="right")) - 1
        end = int(begins[last])
        if end <= start:
            end = int(begins[last + 1])
        yield stream[start:end]
        start = end


def _save(path: Path, array: NDArray[Any]) -> None:
    with path.open("wb") as file:
        np.save(file, array)
        file.flush()
        os.fsync(file.fileno())


class _OnDisk(Sequence[IntArray]):
    """A piece's arrays of all levels from the first, each mapped when it is asked for."""

    def __init__(self, folder: Path, kind: str, first: int, order: int) -> None:
        self._files = [folder / f"{kind}{level}.npy" for level in range(first, order + 1)]

    def __len__(self) -> int:
        return len(self._files)

    def __getitem__(self, at: Any) -> Any:
        return np.load(self._files[at], mmap_mode="r")
