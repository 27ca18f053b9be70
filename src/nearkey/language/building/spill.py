"""Counting more text than fits in memory: sorted pieces on disk, merged block by block."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.language.building.counts import NgramCounts, count_ngrams
from nearkey.language.building.tree import IntArray, NgramTree, run_starts

__all__ = ["count_in_pieces"]

BYTES_PER_TOKEN = 40
"""Memory that counting a piece needs for each of its tokens, measured for orders 3 to 5."""


def count_in_pieces(
    streams: Iterable[NDArray[np.integer[Any]]],
    *,
    order: int,
    vocab_size: int,
    max_bytes: int = 1 << 30,
    workers: int = 1,
    folder: Path | None = None,
) -> NgramCounts:
    """Count the n-grams of a long text given in parts; the same result as counting it at once.

    Each of `streams` holds whole sentences (``<s>`` … ``</s>``). Parts are gathered into pieces that
    `max_bytes` of memory can sort (shared by `workers` threads); each piece's sorted counts go to a
    temporary folder (below `folder` if given), and are then merged in blocks. What is left in memory is
    the result itself. A text that fits in one piece never touches the disk.
    """
    room = max(1, max_bytes // BYTES_PER_TOKEN // workers)
    pieces = _pieces(streams, room)
    first = next(pieces, np.zeros(0, dtype=np.int64))
    second = next(pieces, None)
    if second is None:
        return count_ngrams(first, order=order, vocab_size=vocab_size)
    with tempfile.TemporaryDirectory(prefix="nearkey-counts-", dir=folder) as temporary:
        base = Path(temporary)

        def spill(number: int, piece: IntArray) -> int:
            counts = count_ngrams(piece, order=order, vocab_size=vocab_size)
            for level in range(1, order + 1):
                if level > 1:
                    np.save(base / f"keys{level}-{number}.npy", counts.tree.keys[level - 2])
                np.save(base / f"counts{level}-{number}.npy", counts.counts[level - 1])
            return number

        pending: list[Future[int]] = []
        done = 0
        with ThreadPoolExecutor(workers) as pool:
            for number, piece in enumerate(_chain(first, second, pieces)):
                while len(pending) >= workers:
                    done = max(done, pending.pop(0).result() + 1)
                pending.append(pool.submit(spill, number, piece))
            for future in pending:
                done = max(done, future.result() + 1)
        return _merge(base, done, order=order, vocab_size=vocab_size, block=room)


def _chain(first: IntArray, second: IntArray, rest: Iterator[IntArray]) -> Iterator[IntArray]:
    yield first
    yield second
    yield from rest


def _pieces(streams: Iterable[NDArray[np.integer[Any]]], room: int) -> Iterator[IntArray]:
    """The streams joined into arrays of about `room` tokens (a longer stream stays one piece)."""
    held: list[NDArray[np.integer[Any]]] = []
    size = 0
    for stream in streams:
        if held and size + len(stream) > room:
            yield np.concatenate(held)
            held, size = [], 0
        held.append(stream)
        size += len(stream)
    if held:
        yield np.concatenate(held)


def _merge(base: Path, pieces: int, *, order: int, vocab_size: int, block: int) -> NgramCounts:
    def load(kind: str, level: int, number: int) -> IntArray:
        return np.load(base / f"{kind}{level}-{number}.npy", mmap_mode="r")  # type: ignore[no-any-return]

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
            None if level == 2 else load("place", level - 1, number) for number in range(pieces)
        ]
        place_out = [
            np.lib.format.open_memmap(
                base / f"place{level}-{number}.npy", mode="w+", dtype=np.int64, shape=part.shape
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
            limit = (
                min(
                    head[-1]
                    for head, at, part in zip(heads, cursor, parts, strict=True)
                    if len(head) and at + len(head) < len(part)
                )
                if any(
                    at + len(head) < len(part)
                    for head, at, part in zip(heads, cursor, parts, strict=True)
                )
                else None
            )
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
