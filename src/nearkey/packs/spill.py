"""Counting more text than fits in memory: sorted pieces on disk, merged block by block."""

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
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.language.tokens import BOS
from nearkey.packs.ngram_counts import NgramCounts, count_ngrams
from nearkey.packs.tree import IntArray, NgramTree, merge_trees

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


class _OnDisk(Sequence[IntArray]):
    """A piece's arrays of all levels from the first, each mapped when it is asked for."""

    def __init__(self, folder: Path, kind: str, first: int, order: int) -> None:
        self._files = [folder / f"{kind}{level}.npy" for level in range(first, order + 1)]

    def __len__(self) -> int:
        return len(self._files)

    def __getitem__(self, at: Any) -> Any:
        return np.load(self._files[at], mmap_mode="r")


def _merge(
    folders: list[Path], temporary: Path, *, order: int, vocab_size: int, block: int
) -> NgramCounts:
    """The counts of all pieces; places of their entries lie in the folder `temporary` meanwhile."""

    def scratch(level: int, number: int, size: int) -> IntArray:
        file = temporary / f"place{level}-{number}.npy"
        return np.lib.format.open_memmap(file, mode="w+", dtype=np.int64, shape=(size,))

    merged = merge_trees(
        [NgramTree(vocab_size, _OnDisk(folder, "keys", 2, order)) for folder in folders],
        [_OnDisk(folder, "counts", 1, order) for folder in folders],
        block=block,
        scratch=scratch,
    )
    return NgramCounts(merged.tree, merged.counts)
