"""ARPA files, the one place where logs are to base 10; and the estimator by itself, from tokens to such a file."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ArpaWriter, TokenReader
from nearkey.errors import PackError
from nearkey.files import atomic_write, read_text
from nearkey.language.pack import Pack
from nearkey.language.reading.textfiles import ReadOptions, ReadReport, read_blocks, unreadable
from nearkey.language.tokens import BOS, EOS, SPECIAL_TOKENS
from nearkey.packs import BuildProgress
from nearkey.packs.backoff import LOG_ZERO, BackoffModel, FloatArray
from nearkey.packs.kneser_ney import estimate
from nearkey.packs.ngram_counts import count_in_pieces, remove_pieces
from nearkey.packs.quantise import read_table
from nearkey.packs.tree import NgramTree

_LOG10 = float(np.log(10.0))
_CHUNK = 100_000


@dataclass(frozen=True, slots=True)
class PlainModel:
    """A model and the texts of its token ids."""

    model: BackoffModel
    tokens: list[str]

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write an ARPA file.

        Numbers have seven digits. A back-off is written for every n-gram that is the context of a longer one.
        """
        tree = self.model.tree
        writer = ArpaWriter(self.tokens)
        with atomic_write(path, "wb") as out:
            sizes = enumerate(tree.sizes(), start=1)
            head = "".join(f"ngram {level}={size}\n" for level, size in sizes)
            out.write(f"\\data\\\n{head}".encode())
            for level in range(1, tree.order + 1):
                out.write(f"\n\\{level}-grams:\n".encode())
                columns: list[Any] = [
                    self.model.log_prob[level - 1] / _LOG10,
                    tree.token_matrix(level),
                ]
                if level < tree.order:
                    columns.append(self.model.backoff[level - 1] / _LOG10)
                    columns.append((np.diff(tree.child(level)) > 0).view(np.uint8))
                for start in range(0, tree.size(level), _CHUNK):
                    out.write(writer.rows(*(c[start : start + _CHUNK] for c in columns)))
            out.write(b"\n\\end\\\n")


def exported_model(pack: Pack) -> PlainModel:
    """The n-gram table of a pack with its words, to be saved as an ARPA file; numbers are ``<num>``.

    A context model is no part of it.
    """
    names = [*SPECIAL_TOKENS, *pack.lexicon.words]
    return PlainModel(read_table(pack.folder / "words.ngram"), names)


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

    The text is held as 4 bytes a token.

    Parameters
    ----------
    max_bytes : memory for counting the n-grams; beyond it, sorted pieces go to disk.
    workers : threads that count.
    work : folder of these pieces, where a later call finds what an interrupted one has counted, and from
        which they are removed in the end; a temporary folder by default.
    progress : called with each step.

    Raises PackError for a file that cannot be read or holds no words.
    """
    reader = TokenReader(["<unk>", "<s>", "</s>"], BOS, EOS)
    streams = []
    size = 0
    for block in read_blocks(Path(text), ReadOptions(), ReadReport()):
        streams.append(reader.read(block))
        size += len(streams[-1])
        progress(BuildProgress("read", size, 0))
    if len(reader) == 3:
        raise unreadable("holds no words", text, "name a text file")
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


_HIGHEST_ORDER = 20


def read_arpa(path: str | os.PathLike[str], tokens: Sequence[str] | None = None) -> PlainModel:
    """Read an ARPA file.

    The ids are those of `tokens` where given (a word of the file that is not among them is an error);
    else ``<unk>``, ``<s>``, ``</s>`` come first and the rest in the file's order. PackError names the
    line that is not as it should be.
    """
    sections = _sections(read_text(path, PackError), path)
    if not sections or not sections[0]:
        raise unreadable("holds no n-grams", path, "name an ARPA file")
    listed = [entry[0][0] for entry in sections[0]]
    names = list(dict.fromkeys(["<unk>", "<s>", "</s>", *listed])) if tokens is None else [*tokens]
    index = {name: i for i, name in enumerate(names)}
    keys: list[NDArray[np.int64]] = []
    logs: list[FloatArray] = [np.full(len(names), LOG_ZERO)]
    backs: list[FloatArray] = [np.zeros(len(names))]
    for level, section in enumerate(sections, start=1):
        try:
            rows = np.array([[index[word] for word in words] for words, _, _ in section])
        except KeyError as fault:
            problem = f"word {fault.args[0]!r} is not among the 1-grams"
            raise unreadable(problem, path, "correct the file") from None
        rows = rows.reshape(-1, level)
        log_prob = np.array([entry[1] for entry in section]) * _LOG10
        backoff = np.array([entry[2] for entry in section]) * _LOG10
        if level == 1:
            logs[0][rows[:, 0]], backs[0][rows[:, 0]] = log_prob, backoff
            continue
        parent = NgramTree(len(names), tuple(keys)).find(rows[:, :-1])
        if np.any(parent < 0):
            missing = " ".join(section[int(np.flatnonzero(parent < 0)[0])][0])
            raise unreadable(f"context of {missing!r} is missing", path, "correct the file")
        key = parent * len(names) + rows[:, -1]
        order = np.argsort(key)
        keys.append(key[order])
        logs.append(log_prob[order])
        backs.append(backoff[order])
    tree = NgramTree(len(names), tuple(keys))
    return PlainModel(BackoffModel(tree, tuple(logs), tuple(backs[:-1])), names)


def _sections(
    text: str, where: str | os.PathLike[str]
) -> list[list[tuple[list[str], float, float]]]:
    """(words, log10 probability, log10 back-off) of each n-gram, level by level."""
    sections: list[list[tuple[list[str], float, float]]] = []
    level = 0
    for number, line in enumerate(text.split("\n"), start=1):
        fields, place = line.split(), f"line {number}"
        if not fields:
            continue
        if fields[0].startswith("\\"):
            head = re.fullmatch(r"\\(\d{1,4})-grams:", fields[0])
            level = int(head[1]) if head else 0
            if level > _HIGHEST_ORDER:
                problem = f"an order above {_HIGHEST_ORDER}"
                raise unreadable(problem, where, "correct the line", place)
            sections += [[] for _ in range(level - len(sections))]
        elif level:
            words, backoff = fields[1 : level + 1], (fields[level + 1 :] or ["0"])[0]
            try:
                sections[level - 1].append((words, float(fields[0]), float(backoff)))
            except ValueError:
                words = []
            if len(words) != level:
                problem = f"not an n-gram of {level} words"
                raise unreadable(problem, where, "correct the line", place)
    return sections
