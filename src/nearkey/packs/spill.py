"""Counting more text than fits in memory: sorted pieces on disk, merged block by block."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS
from nearkey.packs.ngram_counts import NgramCounts, count_ngrams
from nearkey.packs.tree import IntArray, NgramTree, run_starts

__all__ = ["count_in_pieces", "remove_pieces"]

_PIECE = re.compile(r"[0-9a-f]{32}|nearkey-counts-.*")

BYTES_PER_TOKEN = 40
"""Memory that counting a piece needs for each of its tokens, measured for orders 3 to 5."""


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
            for level in range(1, order + 1):
                if level > 1:
                    _save(unfinished / f"keys{level}.npy", counts.tree.keys[level - 2])
                _save(unfinished / f"counts{level}.npy", counts.counts[level - 1])
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
        return _merge(folders, Path(temporary), order=order, vocab_size=vocab_size, block=room)


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


def _merge(
    folders: list[Path], temporary: Path, *, order: int, vocab_size: int, block: int
) -> NgramCounts:
    pieces = len(folders)

    def load(kind: str, level: int, number: int) -> IntArray:
        file = folders[number] / f"{kind}{level}.npy"
        return np.load(file, mmap_mode="r")  # type: ignore[no-any-return]

    def place_file(level: int, number: int) -> Path:
        return temporary / f"place{level}-{number}.npy"

    total = np.zeros(vocab_size, dtype=np.int64)
    for number in range(pieces):
        total += load("counts", 1, number)
    keys: list[IntArray] = []
    counts: list[NDArray[np.int64]] = [total]
    for level in range(2, order + 1):
        # A piece's keys name parents by the piece's own numbering. The merged numbering keeps the
        # order of parents, so keys stay sorted when they are renamed, block by block.
        parts = [load("keys", level, number) for number in range(pieces)]
        tallies = [load("counts", level, number) for number in range(pieces)]
        places = [
            None if level == 2 else np.load(place_file(level - 1, number), mmap_mode="r")
            for number in range(pieces)
        ]
        place_out = [
            np.lib.format.open_memmap(
                place_file(level, number), mode="w+", dtype=np.int64, shape=part.shape
            )
            for number, part in enumerate(parts)
        ]
        merged_keys: list[IntArray] = []
        merged_counts: list[NDArray[np.int64]] = []
        cursor = [0] * pieces
        written = 0
        share = max(1024, block // max(1, pieces))
        while any(at < len(part) for at, part in zip(cursor, parts, strict=True)):
            heads = [
                _renamed(part[at : at + share], place, vocab_size)
                for at, part, place in zip(cursor, parts, places, strict=True)
            ]
            # All keys up to the smallest of the heads' last ones are complete.
            last = [
                head[-1]
                for head, at, part in zip(heads, cursor, parts, strict=True)
                if len(head) and at + len(head) < len(part)
            ]
            limit = min(last, default=None)
            taken = [
                head if limit is None else head[: np.searchsorted(head, limit, side="right")]
                for head in heads
            ]
            joined = np.concatenate(taken)
            unique = np.sort(joined)
            unique = unique[run_starts(unique)]
            sums = np.zeros(len(unique), dtype=np.int64)
            for number, head in enumerate(taken):
                at = np.searchsorted(unique, head)
                start = cursor[number]
                sums[at] += tallies[number][start : start + len(head)]
                place_out[number][start : start + len(head)] = at + written
                cursor[number] = start + len(head)
            merged_keys.append(unique)
            merged_counts.append(sums)
            written += len(unique)
        keys.append(np.concatenate(merged_keys) if merged_keys else np.zeros(0, dtype=np.int64))
        counts.append(
            np.concatenate(merged_counts) if merged_counts else np.zeros(0, dtype=np.int64)
        )
    return NgramCounts(NgramTree(vocab_size, tuple(keys)), tuple(counts))


def _renamed(keys: IntArray, place: IntArray | None, vocab_size: int) -> IntArray:
    if place is None:
        return np.asarray(keys)
    renamed: IntArray = place[keys // vocab_size] * vocab_size + keys % vocab_size
    return renamed
