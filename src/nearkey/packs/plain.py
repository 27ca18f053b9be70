"""From a file of tokens to an ARPA file: the estimator by itself."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nearkey._kernel import TokenReader
from nearkey.errors import PackError
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_blocks
from nearkey.language.tokens import BOS, EOS
from nearkey.packs import BuildProgress
from nearkey.packs.arpa import write_arpa
from nearkey.packs.backoff import BackoffModel
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.spill import count_in_pieces, remove_pieces

__all__ = ["PlainModel", "estimate_file"]


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
    work: str | os.PathLike[str] | None = None,
    progress: Callable[[BuildProgress], None] = lambda step: None,
) -> PlainModel:
    """Interpolated modified Kneser-Ney model of a text file of one sentence a line, tokens separated by
    white space (gzip by its name). Nothing is normalised; every token is in the vocabulary.

    The text is held as 4 bytes a token; `max_bytes` bounds the memory for counting them, beyond which
    sorted pieces go to disk: to a temporary folder, or into the folder `work`, where a later call finds what
    an interrupted one has counted, and from which it is removed in the end.
    """
    reader = TokenReader(["<unk>", "<s>", "</s>"], BOS, EOS)
    streams = []
    size = 0
    for block in read_blocks(Path(text), ReadOptions(), ReadReport()):
        streams.append(reader.read(block))
        size += len(streams[-1])
        progress(BuildProgress("read", size, 0))
    if len(reader) == 3:
        raise PackError("holds no words", where=os.fspath(text), fix="name a text file")
    counts = count_in_pieces(
        streams,
        order=order,
        vocab_size=len(reader),
        max_bytes=max_bytes,
        workers=workers,
        work=None if work is None else Path(work),
        on_piece=lambda done: progress(BuildProgress("count", done, 0)),
    )
    del streams
    progress(BuildProgress("estimate"))
    model = PlainModel(estimate(counts), reader.tokens())
    if work is not None:
        remove_pieces(Path(work))
    return model
