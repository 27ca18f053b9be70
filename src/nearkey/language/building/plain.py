"""From a file of tokens to an ARPA file: the estimator by itself."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.language.building.arpa import write_arpa
from nearkey.language.building.backoff import BackoffModel
from nearkey.language.building.kneser_ney import estimate
from nearkey.language.building.spill import count_in_pieces
from nearkey.language.building.textfiles import ReadOptions, ReadReport, read_plain
from nearkey.language.tokens import BOS, EOS, UNK

__all__ = ["PlainModel", "estimate_file"]

_LINES = 20_000


@dataclass(frozen=True, slots=True)
class PlainModel:
    """A model and the texts of its token ids."""

    model: BackoffModel
    tokens: list[str]

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write an ARPA file."""
        write_arpa(path, self.model, self.tokens)


def estimate_file(
    text: str | os.PathLike[str],
    *,
    order: int = 3,
    max_bytes: int = 1 << 30,
    workers: int = 1,
) -> PlainModel:
    """Interpolated modified Kneser-Ney model of a text file of one sentence a line, tokens separated by
    white space (gzip by its name). Nothing is normalised; every token is in the vocabulary.

    The text is held as 4 bytes a token; `max_bytes` bounds the memory for counting them, beyond which
    sorted pieces go to disk.
    """
    index = _Index({"<unk>": UNK, "<s>": BOS, "</s>": EOS})
    streams = list(_streams(Path(text), index))
    if len(index) == 3:
        raise PackError("holds no words", where=os.fspath(text), fix="name a text file")
    counts = count_in_pieces(
        streams, order=order, vocab_size=len(index), max_bytes=max_bytes, workers=workers
    )
    del streams
    return PlainModel(estimate(counts), list(index))


class _Index(dict[str, int]):
    """Token ids; an unseen token gets the next one."""

    def __missing__(self, token: str) -> int:
        self[token] = number = len(self)
        return number


def _streams(path: Path, index: _Index) -> Iterator[NDArray[np.int32]]:
    """Token ids of `_LINES` lines at a time; new tokens enter `index`."""
    lines = read_plain(path, ReadOptions(), ReadReport())
    while block := list(islice(lines, _LINES)):
        # One call splits the block; the look-ups run without a loop in Python.
        words = " </s> <s> ".join(line.strip() for line in block)
        tokens = f"<s> {words} </s>".split()
        yield np.fromiter(map(index.__getitem__, tokens), dtype=np.int32, count=len(tokens))
