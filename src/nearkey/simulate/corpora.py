"""Text to type: files, nltk corpora, hub data sets, and what is known of each.

Reading gives lines; nothing of a corpus is kept anywhere. Mind that some text is private, and that
text a pack was trained on flatters the pack: `Corpus.trained` says which, and results repeat it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from nearkey.errors import PackError, PlanError
from nearkey.language.reading.corpus import read_corpus
from nearkey.language.reading.streams import read_stream, split_stream

LONGEST_REPEAT = 4  # words of a sentence that the pack builder counts every time it occurs
_BLOCK = 4096  # lines looked at together for held-out sentences


@dataclass(frozen=True, slots=True)
class Corpus:
    """Lines of running text.

    name : for reports. lines : one sentence or utterance each, not empty.
    trained : whether the pack's estimation saw this text; None where that is not known.
    """

    name: str
    lines: Sequence[str]
    trained: bool | None = None

    @classmethod
    def of(cls, name: str, lines: Iterable[str], *, trained: bool | None = None) -> Corpus:
        """A corpus of lines in memory; empty lines are left out. PlanError where none is left."""
        kept = tuple(line for line in (one.strip() for one in lines) if line)
        if not kept:
            raise PlanError(
                "holds no text", where=name, fix="give a file with a sentence on each line"
            )
        return cls(name, kept, trained)


CorpusSource = Any
"""What is taken as running text: a `Corpus`, what `read_source` takes, or a sequence of lines."""


def as_corpus(source: CorpusSource) -> Corpus:
    """Running text from whatever a caller gave. Raises what `Corpus.of` and `read_source` raise."""
    if isinstance(source, Corpus):
        return source
    if isinstance(source, list | tuple):
        return Corpus.of("text", source)
    return read_source(source)


def read_source(
    source: Any,
    *,
    column: str = "text",
    split: str = "test",
    encoding: str = "utf-8",
    trained: bool | None = None,
) -> Corpus:
    """Read a corpus.

    Parameters
    ----------
    source : a file, a folder, "nltk:NAME", "hub:NAME@SPLIT", a data set, a table or a reader of nltk's: see
        `nearkey.language.reading.corpus.read_corpus`.
    column : the field or column of the text, where the format has such.
    split : of a hub data set whose name says none.
    encoding : of text files.
    trained : see `Corpus`.

    Raises PlanError naming the source and what to do; NearkeyError where a library is missing.
    """
    named = os.fspath(source) if isinstance(source, str | os.PathLike) else type(source).__name__
    try:
        title, lines = read_corpus(source, column=column, split=split, encoding=encoding)
        return Corpus.of(title, lines, trained=trained)
    except PackError as fault:
        where = fault.where if Path(named).is_dir() else named
        raise PlanError(fault.problem, where=where, field=fault.field, fix=fault.fix) from fault
    except PlanError as fault:
        raise fault.at(named) from None


def held_out_part(
    corpus: Corpus, *, fraction: float, words: int | None = None, seed: int = 0
) -> Corpus:
    """The sentences of a corpus that a pack built with `held_out_permille` kept out of its counts.

    They are told by their text alone, by the rule of the pack builder. Some of them, where the corpus is
    a source of the pack, decided how much each source weighs; no n-gram was counted from them.
    fraction : of the sentences, as of the recipe: `held_out_permille` / 1000.
    words : enough once there are so many; lines are then looked at in `seed`'s random order.
    """
    order = np.arange(len(corpus.lines))
    if words is not None:
        np.random.default_rng(seed).shuffle(order)
    lines: list[str] = []
    seen: set[str] = set()
    found = 0
    for start in range(0, len(order), _BLOCK):
        block = read_stream(corpus.lines[i] for i in order[start : start + _BLOCK].tolist())
        _, held = split_stream(block, held_out=fraction)
        for a, b in pairwise(held.starts.tolist()):
            text = " ".join(held.surfaces[i] for i in held.ids[a:b].tolist())
            # Short sentences are as frequent as they are; longer ones are kept once, as the builder does.
            if b - a > LONGEST_REPEAT and text in seen:
                continue
            seen.add(text)
            lines.append(text)
            found += b - a
        if words is not None and found >= words:
            break
    name = f"{corpus.name}, held-out part"
    return Corpus.of(name, lines, trained=False)
