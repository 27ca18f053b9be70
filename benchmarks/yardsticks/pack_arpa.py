"""A pack's word model as an ARPA file, for decoders that read nothing else."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

LOG10 = math.log(10.0)


def _padded(size: int) -> int:
    return (size + 7) // 8 * 8


def write_pack_arpa(folder: Path, words: tuple[str, ...], out: Path) -> None:
    """Turn `words.ngram` (format 1, see DEVELOPERS.md) of order 3 into ARPA text; some hundred megabytes."""
    data = np.fromfile(folder / "words.ngram", np.uint8)
    order, vocab, id_bytes, value_bytes = data[8:24].view("<u4").tolist()
    counts = data[40:80].view("<u8").tolist()
    assert (order, value_bytes) == (3, 1), "written for the shipped pack's shape"
    at = 256

    def take(n: int, kind: str) -> np.ndarray:
        nonlocal at
        size = n * np.dtype(kind).itemsize
        found = data[at : at + size].view(kind)
        at += _padded(size)
        return found

    ids = f"<u{id_bytes}"
    one_p, one_b, one_c = take(vocab, "<f4"), take(vocab, "<f4"), take(vocab + 1, "<u4")
    book_p, book_b = take(256, "<f4"), take(256, "<f4")
    two_i = take(counts[1], ids)
    two_p, two_b = book_p[take(counts[1], "u1")], book_b[take(counts[1], "u1")]
    two_c = take(counts[1] + 1, "<u4")
    book_t = take(256, "<f4")
    three_i = take(counts[2], ids)
    three_p = book_t[take(counts[2], "u1")]
    names = ["<unk>", "<s>", "</s>", "<num>", *words]
    first_of_two = np.repeat(np.arange(vocab), np.diff(one_c.astype(np.int64)))
    pair_of_three = np.repeat(np.arange(counts[1]), np.diff(two_c.astype(np.int64)))
    with out.open("w", encoding="utf-8") as file:
        file.write(
            "\\data\\\n"
            + "".join(f"ngram {n + 1}={c}\n" for n, c in enumerate(counts[:3]))
            + "\n\\1-grams:\n"
        )
        for i in range(vocab):
            file.write(f"{one_p[i] / LOG10:.6f}\t{names[i]}\t{one_b[i] / LOG10:.6f}\n")
        file.write("\n\\2-grams:\n")
        for a, b, p, w in zip(
            first_of_two.tolist(),
            two_i.tolist(),
            (two_p / LOG10).tolist(),
            (two_b / LOG10).tolist(),
            strict=True,
        ):
            file.write(f"{p:.6f}\t{names[a]} {names[b]}\t{w:.6f}\n")
        file.write("\n\\3-grams:\n")
        left, middle = first_of_two[pair_of_three], two_i[pair_of_three]
        for a, b, c, p in zip(
            left.tolist(),
            middle.tolist(),
            three_i.tolist(),
            (three_p / LOG10).tolist(),
            strict=True,
        ):
            file.write(f"{p:.6f}\t{names[a]} {names[b]} {names[c]}\n")
        file.write("\n\\end\\\n")
