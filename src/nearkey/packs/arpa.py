"""ARPA files: the one place where logs are to base 10."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import ArpaWriter
from nearkey.errors import PackError
from nearkey.files import atomic_write
from nearkey.packs.backoff import LOG_ZERO, BackoffModel, FloatArray
from nearkey.packs.tree import NgramTree

__all__ = ["read_arpa", "write_arpa"]

_LOG10 = float(np.log(10.0))
_CHUNK = 100_000


def write_arpa(path: str | os.PathLike[str], model: BackoffModel, tokens: Sequence[str]) -> None:
    """Write a model in the ARPA format; `tokens` are the texts of the token ids.

    Numbers have seven digits. A back-off is written for every n-gram that is the context of a longer one.
    """
    tree = model.tree
    writer = ArpaWriter(tokens)
    with atomic_write(path, "wb") as out:
        head = "".join(
            f"ngram {level}={size}\n" for level, size in enumerate(tree.sizes(), start=1)
        )
        out.write(f"\\data\\\n{head}".encode())
        for level in range(1, tree.order + 1):
            out.write(f"\n\\{level}-grams:\n".encode())
            rows = tree.token_matrix(level)
            log10 = model.log_prob[level - 1] / _LOG10
            if level == tree.order:
                for part in _parts(len(log10)):
                    out.write(writer.rows(log10[part], rows[part]))
                continue
            backoff = model.backoff[level - 1] / _LOG10
            has_child = (np.diff(tree.child(level)) > 0).view(np.uint8)
            for part in _parts(len(log10)):
                out.write(writer.rows(log10[part], rows[part], backoff[part], has_child[part]))
        out.write(b"\n\\end\\\n")


def _parts(size: int) -> Iterator[slice]:
    for start in range(0, size, _CHUNK):
        yield slice(start, start + _CHUNK)


def read_arpa(
    path: str | os.PathLike[str], tokens: Sequence[str] | None = None
) -> tuple[BackoffModel, list[str]]:
    """Read an ARPA file: the model, and the texts of its token ids.

    The ids are those of `tokens` where given (a word of the file that is not among them is an error);
    else ``<unk>``, ``<s>``, ``</s>`` come first and the rest in the file's order. PackError names the
    line that is not as it should be.
    """
    where = os.fspath(path)
    sections: list[tuple[list[list[str]], list[float], list[float]]] = []
    for level, words, log10, backoff in _entries(Path(path), where):
        while len(sections) < level:
            sections.append(([], [], []))
        rows, probs, backs = sections[level - 1]
        rows.append(words)
        probs.append(log10)
        backs.append(backoff)
    if not sections or not sections[0][0]:
        raise PackError("holds no n-grams", where=where, fix="name an ARPA file")
    if tokens is None:
        head = ["<unk>", "<s>", "</s>"]
        listed = [row[0] for row in sections[0][0]]
        names = head + [word for word in listed if word not in head]
    else:
        names = list(tokens)
    index = {name: i for i, name in enumerate(names)}
    keys: list[NDArray[np.int64]] = []
    logs: list[FloatArray] = [np.full(len(names), LOG_ZERO)]
    backs_out: list[FloatArray] = [np.zeros(len(names))]
    for level, (rows, probs, backs) in enumerate(sections, start=1):
        try:
            flat = [index[word] for row in rows for word in row]
        except KeyError as fault:
            raise PackError(
                f"word {fault.args[0]!r} is not among the 1-grams", where=where, fix="mend the file"
            ) from None
        matrix = np.array(flat, dtype=np.int64).reshape(-1, level)
        if level == 1:
            logs[0][matrix[:, 0]] = np.array(probs) * _LOG10
            backs_out[0][matrix[:, 0]] = np.array(backs) * _LOG10
            continue
        below = NgramTree(len(names), tuple(keys))
        parent = below.find(matrix[:, :-1])
        if np.any(parent < 0):
            missing = rows[int(np.flatnonzero(parent < 0)[0])]
            raise PackError(
                f"context of {' '.join(missing)!r} is missing", where=where, fix="mend the file"
            )
        key = parent * len(names) + matrix[:, -1]
        order = np.argsort(key)
        keys.append(key[order])
        logs.append(np.array(probs)[order] * _LOG10)
        backs_out.append(np.array(backs)[order] * _LOG10)
    tree = NgramTree(len(names), tuple(keys))
    return BackoffModel(tree, tuple(logs), tuple(backs_out[:-1])), names


def _entries(path: Path, where: str) -> Iterator[tuple[int, list[str], float, float]]:
    """(level, words, log10 probability, log10 back-off) of each line."""
    level = 0
    try:
        with path.open(encoding="utf-8") as lines:
            for number, line in enumerate(lines, start=1):
                text = line.strip()
                if text.endswith("-grams:") and text.startswith("\\"):
                    level = int(text[1:-7])
                elif level and text and not text.startswith("\\"):
                    fields = text.split()
                    try:
                        log10, words = float(fields[0]), fields[1 : level + 1]
                        backoff = float(fields[level + 1]) if len(fields) > level + 1 else 0.0
                    except (ValueError, IndexError):
                        raise PackError(
                            "not an n-gram",
                            where=where,
                            field=f"line {number}",
                            fix="mend the line",
                        ) from None
                    if len(words) != level:
                        raise PackError(
                            f"not {level} words",
                            where=where,
                            field=f"line {number}",
                            fix="mend the line",
                        )
                    yield level, words, log10, backoff
    except (OSError, UnicodeDecodeError) as fault:
        raise PackError(f"cannot be read: {fault}", where=where, fix="name an ARPA file") from None
