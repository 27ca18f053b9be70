"""A source's text as flat arrays: the form in which it is counted, cut and mapped to token ids."""

from __future__ import annotations

import hashlib
import zlib
from array import array
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from nearkey.language import tokens as tk

_DIGEST_BYTES = 8
BUCKETS = 1000
"""Sentences fall into so many buckets by their text, so that any part of a source can be found again."""


@dataclass(frozen=True, slots=True)
class TextStream:
    """Sentences of surface forms.

    `surfaces` are the distinct words in their own case; `ids` index them, sentence after sentence;
    `starts` ``(sentences + 1,)`` are the sentences' offsets; `punctuation` the code of the mark after each
    word (`tokens.PUNCTUATION`, or 255 for none seen at a line's end); `bucket` ``(sentences,)`` is a number
    from 0 to 999 that depends on the sentence's text alone.
    """

    surfaces: list[str]
    ids: NDArray[np.int32]
    punctuation: NDArray[np.uint8]
    starts: NDArray[np.int64]
    bucket: NDArray[np.int16]

    @property
    def n_sentences(self) -> int:
        """Number of sentences."""
        return len(self.starts) - 1

    @property
    def n_words(self) -> int:
        """Number of words in running text."""
        return len(self.ids)

    def word_counts(self, normalise: tk.Normalise) -> Counter[str]:
        """How often each normalised word stands in the text; what is not spelled counts as `tokens.NUMBER`."""
        counts: Counter[str] = Counter()
        uses = np.bincount(self.ids, minlength=len(self.surfaces)).tolist()
        for surface, count in zip(self.surfaces, uses, strict=True):
            counts[normalise(surface)] += count
        return counts

    def in_part(self, fraction: float) -> NDArray[np.bool_]:
        """Which sentences belong to the part of this size (to a thousandth) that is held out."""
        return self.bucket < round(BUCKETS * fraction)


@dataclass(frozen=True, slots=True)
class StreamPart:
    """What a `StreamReader` has read since the part before, as a text of its own with the new surfaces only.

    `seen` are the 8-byte digests of the sentences that may not come again; `dropped` counts from the beginning.
    """

    text: TextStream
    seen: bytes
    dropped: dict[str, int]


class StreamReader:
    """Splits lines into sentences and interns their words; parts of what it read can be put away, and
    another reader of the same settings can take them up.

    With `deduplicate`, a sentence of more than `longest_repeat` words that was seen before is
    dropped; with an `alphabet`, so is one most of whose letters are not in it. `dropped` counts them.
    `abbreviations` and `combining` are as of `tokens.sentences`.
    """

    def __init__(
        self,
        *,
        deduplicate: bool = True,
        longest_repeat: int = 4,
        abbreviations: frozenset[str] = tk.ABBREVIATIONS,
        alphabet: str = "",
        combining: bool = False,
    ) -> None:
        self.dropped: Counter[str] = Counter()
        self._deduplicate = deduplicate
        self._longest_repeat = longest_repeat
        self._abbreviations = abbreviations
        self._combining = combining
        self._letters = frozenset(alphabet)
        self._index: dict[str, int] = {}
        self._ids = array("i")
        self._punctuation = bytearray()
        self._starts = array("q", [0])
        self._buckets = array("H")
        self._seen: set[bytes] = set()
        self._seen_since: list[bytes] = []
        self._put_away = (0, 0)  # surfaces and sentences in the parts so far

    def read(self, lines: Iterable[str]) -> None:
        """Read more lines."""
        for sentence in tk.sentences(
            lines, abbreviations=self._abbreviations, combining=self._combining
        ):
            lower = " ".join(sentence.words).lower()
            if self._letters and _foreign(lower, self._letters):
                self.dropped["sentence in other letters"] += 1
                continue
            text = lower.encode()
            if self._deduplicate and len(sentence.words) > self._longest_repeat:
                key = hashlib.blake2b(text, digest_size=_DIGEST_BYTES).digest()
                if key in self._seen:
                    self.dropped["repeated sentence"] += 1
                    continue
                self._seen.add(key)
                self._seen_since.append(key)
            index = self._index
            for word in sentence.words:
                self._ids.append(index.setdefault(word, len(index)))
            self._punctuation.extend(sentence.punctuation)
            self._starts.append(len(self._ids))
            self._buckets.append(zlib.crc32(text) % BUCKETS)

    def part(self) -> StreamPart:
        """What was read since the last call."""
        text = self._since(*self._put_away)
        part = StreamPart(text, b"".join(self._seen_since), dict(self.dropped))
        self._put_away = (len(self._index), len(self._buckets))
        self._seen_since.clear()
        return part

    def take_up(self, part: StreamPart) -> None:
        """Stand where the reader stood that gave this part; the parts before must have been taken up."""
        for surface in part.text.surfaces:
            self._index[surface] = len(self._index)
        self._starts.extend((self._starts[-1] + part.text.starts[1:]).tolist())
        self._ids.frombytes(part.text.ids.astype(np.intc).tobytes())
        self._punctuation.extend(part.text.punctuation.tobytes())
        self._buckets.frombytes(part.text.bucket.astype(np.ushort).tobytes())
        self._seen.update(
            part.seen[at : at + _DIGEST_BYTES] for at in range(0, len(part.seen), _DIGEST_BYTES)
        )
        self.dropped = Counter(part.dropped)
        self._put_away = (len(self._index), len(self._buckets))

    def stream(self) -> TextStream:
        """All that was read."""
        return self._since(0, 0)

    def _since(self, surfaces: int, sentences: int) -> TextStream:
        """What came after so many surfaces and sentences."""
        starts = np.array(self._starts[sentences:], dtype=np.int64)
        first = int(starts[0])
        return TextStream(
            list(islice(self._index, surfaces, None)),
            np.array(self._ids[first:], dtype=np.int32),
            np.frombuffer(bytes(self._punctuation[first:]), dtype=np.uint8),
            starts - first,
            np.array(self._buckets[sentences:], dtype=np.int16),
        )


def read_stream(
    lines: Iterable[str],
    *,
    deduplicate: bool = True,
    abbreviations: frozenset[str] = tk.ABBREVIATIONS,
    combining: bool = False,
) -> TextStream:
    """Read `lines` at once, by the rules of `StreamReader` and with its parameters of these names."""
    reader = StreamReader(deduplicate=deduplicate, abbreviations=abbreviations, combining=combining)
    reader.read(lines)
    return reader.stream()


def _foreign(text: str, letters: frozenset[str]) -> bool:
    """Whether most letters of the text are outside the alphabet."""
    spelled = [char for char in text.replace(tk.NUMBER, "") if char.isalpha()]
    return 2 * sum(char in letters for char in spelled) < len(spelled)


def split_stream(stream: TextStream, *, held_out: float) -> tuple[TextStream, TextStream]:
    """(training part, held-out part); `held_out` is the latter's fraction, chosen by the sentences' text."""
    chosen = stream.in_part(held_out)
    return select(stream, ~chosen), select(stream, chosen)


def select(stream: TextStream, keep: NDArray[np.bool_]) -> TextStream:
    """The sentences where `keep` is true."""
    lengths = np.diff(stream.starts)
    words = np.repeat(keep, lengths)
    return TextStream(
        stream.surfaces,
        stream.ids[words],
        stream.punctuation[words],
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


def encode_stream(stream: TextStream, tokens_of: Callable[[str], list[int]]) -> NDArray[np.int64]:
    """Token ids with ``<s>`` and ``</s>`` around each sentence of `stream`, ``(tokens,)`` int64.

    tokens_of : how a word of running text is read: `WordModel.token_ids` of a pack, or `tokens.word_reader` for words
    that are no pack's yet.
    """
    pieces = [tokens_of(surface) for surface in stream.surfaces]
    flat = np.array([token for piece in pieces for token in piece], dtype=np.int64)
    lengths = np.array([len(piece) for piece in pieces], dtype=np.int64)
    taken = lengths[stream.ids]
    before = np.concatenate(([0], np.cumsum(taken)))  # each word's place among all tokens
    first = (np.cumsum(lengths) - lengths)[stream.ids]
    words = flat[np.repeat(first - before[:-1], taken) + np.arange(before[-1])]
    edges = np.repeat(before[stream.starts], 2)[1:-1]
    return np.insert(words, edges, np.tile([tk.BOS, tk.EOS], stream.n_sentences))
