"""A source's text as flat arrays: the form in which it is counted, cut and mapped to token ids."""

from __future__ import annotations

import hashlib
import zlib
from array import array
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.language import tokens as tk

__all__ = ["TextStream", "encode_stream", "read_stream", "split_stream"]


@dataclass(frozen=True, slots=True)
class TextStream:
    """Sentences of surface forms.

    `surfaces` are the distinct words in their own case; `ids` index them, sentence after sentence;
    `starts` ``(sentences + 1,)`` are the sentences' offsets; `marks` the code of the mark after each
    word (`tokens.MARKS`, or 255 for none seen at a line's end); `bucket` ``(sentences,)`` is a number
    from 0 to 999 that depends on the sentence's text alone.
    """

    surfaces: list[str]
    ids: NDArray[np.int32]
    marks: NDArray[np.uint8]
    starts: NDArray[np.int64]
    bucket: NDArray[np.int16]

    @property
    def n_sentences(self) -> int:
        return len(self.starts) - 1

    @property
    def n_words(self) -> int:
        return len(self.ids)


def read_stream(
    lines: Iterable[str],
    *,
    deduplicate: bool = True,
    longest_repeat: int = 4,
    abbreviations: frozenset[str] = tk.ABBREVIATIONS,
    alphabet: str = "",
    dropped: Counter[str] | None = None,
) -> TextStream:
    """Split `lines` into sentences and intern their words.

    With `deduplicate`, a sentence of more than `longest_repeat` words that was seen before is
    dropped; with an `alphabet`, so is one most of whose letters are not in it. `dropped` counts them.
    """
    index: dict[str, int] = {}
    ids = array("i")
    marks = bytearray()
    starts = [0]
    buckets: list[int] = []
    seen: set[bytes] = set()
    letters = frozenset(alphabet)
    dropped = Counter() if dropped is None else dropped
    for sentence in tk.sentences(lines, abbreviations=abbreviations):
        lower = " ".join(sentence.words).lower()
        if letters and _foreign(lower, letters):
            dropped["sentence in other letters"] += 1
            continue
        text = lower.encode()
        if deduplicate and len(sentence.words) > longest_repeat:
            key = hashlib.blake2b(text, digest_size=8).digest()
            if key in seen:
                dropped["repeated sentence"] += 1
                continue
            seen.add(key)
        for word in sentence.words:
            ids.append(index.setdefault(word, len(index)))
        marks.extend(sentence.marks)
        starts.append(len(ids))
        buckets.append(zlib.crc32(text) % 1000)
    return TextStream(
        list(index),
        np.frombuffer(ids, dtype=np.intc).astype(np.int32),
        np.frombuffer(bytes(marks), dtype=np.uint8),
        np.array(starts, dtype=np.int64),
        np.array(buckets, dtype=np.int16),
    )


def _foreign(text: str, letters: frozenset[str]) -> bool:
    """Whether most letters of the text are outside the alphabet."""
    spelled = [char for char in text.replace(tk.NUMBER, "") if char.isalpha()]
    return 2 * sum(char in letters for char in spelled) < len(spelled)


def split_stream(stream: TextStream, *, held_out: int) -> tuple[TextStream, TextStream]:
    """(training part, held-out part): a sentence is held out if its bucket is below `held_out`."""
    chosen = stream.bucket < held_out
    return select(stream, ~chosen), select(stream, chosen)


def select(stream: TextStream, keep: NDArray[np.bool_]) -> TextStream:
    """The sentences where `keep` is true."""
    lengths = np.diff(stream.starts)
    words = np.repeat(keep, lengths)
    return TextStream(
        stream.surfaces,
        stream.ids[words],
        stream.marks[words],
        np.concatenate(([0], np.cumsum(lengths[keep]))),
        stream.bucket[keep],
    )


def first_words(stream: TextStream, count: int) -> TextStream:
    """The sentences that begin before word number `count`, by rising bucket so that any part is a fair one."""
    order = np.argsort(stream.bucket, kind="stable")
    lengths = np.diff(stream.starts)
    keep = np.zeros(stream.n_sentences, dtype=bool)
    keep[order[np.cumsum(lengths[order]) - lengths[order] < count]] = True
    return select(stream, keep)


def encode_stream(
    stream: TextStream,
    token_of: Mapping[str, int],
    *,
    fold: bool = False,
    elisions: Sequence[str] = (),
) -> NDArray[np.int64]:
    """Token ids with ``<s>`` and ``</s>`` around each sentence.

    Words outside `token_of` become ``<unk>``, or the parts they are read as (`tokens.token_ids`).
    """

    def lookup(word: str) -> int:
        return token_of.get(word, tk.UNK)

    pieces: list[list[int]] = []
    for surface in stream.surfaces:
        if surface == tk.NUMBER:
            pieces.append([tk.NUM])
            continue
        pieces.append(tk.token_ids(tk.normalise_word(surface, fold=fold), lookup, elisions))
    lengths = np.array([len(piece) for piece in pieces], dtype=np.int64)
    flat = np.array([token for piece in pieces for token in piece], dtype=np.int64)
    begins = np.concatenate(([0], np.cumsum(lengths)))
    taken = lengths[stream.ids]
    # Each word's place in the output: after its sentence's <s> and all pieces before it.
    sentence_of = np.repeat(np.arange(stream.n_sentences), np.diff(stream.starts))
    before = np.concatenate(([0], np.cumsum(taken)))
    out = np.empty(int(before[-1]) + 2 * stream.n_sentences, dtype=np.int64)
    at = before[:-1] + 2 * sentence_of + 1
    for extra in range(int(taken.max(initial=0))):
        has = taken > extra
        out[at[has] + extra] = flat[begins[stream.ids[has]] + extra]
    sentence = np.arange(stream.n_sentences)
    out[before[stream.starts[:-1]] + 2 * sentence] = tk.BOS
    out[before[stream.starts[1:]] + 2 * sentence + 1] = tk.EOS
    return out
