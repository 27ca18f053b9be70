"""Slow, obvious n-gram models over dicts, written from the papers, to check the fast ones against."""

from __future__ import annotations

import re
import struct
from collections import Counter, defaultdict
from collections.abc import Sequence
from pathlib import Path

import numpy as np

UNK, BOS, EOS = 0, 1, 2


def real_sentences() -> list[list[str]]:
    """Real English that comes with every CPython: the language reference behind `help()`."""
    from pydoc_data.topics import topics

    found = []
    for name in sorted(topics):
        for paragraph in re.split(r"\n\s*\n", topics[name]):
            words = re.findall(r"[a-z]+", paragraph.lower())
            if len(words) > 3:
                found.append(words)
    return found


def as_stream(sentences: Sequence[Sequence[str]]) -> tuple[np.ndarray, list[str]]:
    """Token ids with borders, and the tokens' texts."""
    names = ["<unk>", "<s>", "</s>"]
    index = {name: i for i, name in enumerate(names)}
    ids: list[int] = []
    for words in sentences:
        ids.append(BOS)
        for word in words:
            if word not in index:
                index[word] = len(names)
                names.append(word)
            ids.append(index[word])
        ids.append(EOS)
    return np.array(ids), names


def slow_counts(stream: Sequence[int], order: int) -> list[Counter[tuple[int, ...]]]:
    """Occurrences of every n-gram that stays within a sentence."""
    counts: list[Counter[tuple[int, ...]]] = [Counter() for _ in range(order)]
    sentence: list[int] = []
    for token in stream:
        sentence.append(int(token))
        if token == EOS:
            for n in range(1, order + 1):
                for i in range(len(sentence) - n + 1):
                    counts[n - 1][tuple(sentence[i : i + n])] += 1
            sentence = []
    return counts


class SlowKneserNey:
    """Interpolated modified Kneser-Ney from the definitions in Chen & Goodman (TR-10-98, 1998).

    p(w|h) = (a(hw) - D(a(hw))) / sum_w a(hw) + gamma(h) p(w|h'), with
    gamma(h) = (D1 N1(h) + D2 N2(h) + D3+ N3+(h)) / sum_w a(hw). The highest order counts occurrences,
    lower ones the distinct tokens before the n-gram, those beginning with <s> occurrences again.
    The unigrams are interpolated with the uniform distribution over all tokens but <s>.
    """

    def __init__(self, stream: Sequence[int], order: int, vocab: int) -> None:
        self.order, self.vocab = order, vocab
        counts = slow_counts(stream, order)
        self.adjusted: list[dict[tuple[int, ...], int]] = []
        for n in range(1, order):
            before: defaultdict[tuple[int, ...], set[int]] = defaultdict(set)
            for gram in counts[n]:
                before[gram[1:]].add(gram[0])
            self.adjusted.append(
                {
                    gram: (counts[n - 1][gram] if gram[0] == BOS else len(before[gram]))
                    for gram in counts[n - 1]
                    if gram != (BOS,)
                }
            )
        self.adjusted.append({gram: c for gram, c in counts[-1].items() if gram != (BOS,)})
        self.discounts = [self._fit(level) for level in self.adjusted]
        self.followers: list[defaultdict[tuple[int, ...], dict[int, int]]] = []
        for level in self.adjusted:
            table: defaultdict[tuple[int, ...], dict[int, int]] = defaultdict(dict)
            for gram, count in level.items():
                table[gram[:-1]][gram[-1]] = count
            self.followers.append(table)
        self._gammas: dict[tuple[int, ...], float] = {}

    @staticmethod
    def _fit(level: dict[tuple[int, ...], int]) -> tuple[float, float, float]:
        n1, n2, n3, n4 = (sum(1 for c in level.values() if c == k) for k in (1, 2, 3, 4))
        y = n1 / (n1 + 2 * n2)
        return 1 - 2 * y * n2 / n1, 2 - 3 * y * n3 / n2, 3 - 4 * y * n4 / n3

    def gamma(self, context: tuple[int, ...]) -> float:
        if context not in self._gammas:
            self._gammas[context] = self._gamma(context)
        return self._gammas[context]

    def _gamma(self, context: tuple[int, ...]) -> float:
        followers = self.followers[len(context)].get(context)
        if not followers:
            return 1.0
        d = self.discounts[len(context)]
        taken = sum(d[min(count, 3) - 1] for count in followers.values() if count)
        return taken / sum(followers.values())

    def prob(self, context: tuple[int, ...], word: int) -> float:
        followers = self.followers[len(context)].get(context)
        if context:
            lower = self.prob(context[1:], word)
        else:
            lower = 0.0 if word == BOS else 1.0 / (self.vocab - 1)
        if not followers:
            return lower
        count = followers.get(word, 0)
        d = self.discounts[len(context)]
        share = (count - d[min(count, 3) - 1]) / sum(followers.values()) if count else 0.0
        return share + self.gamma(context) * lower


class SlowTable:
    """A reader of the table file (format 1) with plain numpy, straight from its description."""

    def __init__(self, path: Path) -> None:
        data = path.read_bytes()
        magic, self.order, self.vocab, id_bytes, value_bytes, self.bos, self.eos, self.unk = (
            struct.unpack_from("<8s7I", data)
        )
        assert magic == b"NKNGRAM1"
        self.sizes = struct.unpack_from("<5Q", data, 40)[: self.order]
        at = 256

        def take(kind: str, count: int) -> np.ndarray:
            nonlocal at
            array = np.frombuffer(data, dtype=kind, count=count, offset=at)
            at += array.nbytes + (-array.nbytes) % 8
            return array

        self.id: list[np.ndarray] = [np.arange(self.vocab)]
        self.log_prob = [take("<f4", self.vocab)]
        self.backoff: list[np.ndarray] = []
        self.child: list[np.ndarray] = []
        if self.order > 1:
            self.backoff.append(take("<f4", self.vocab))
            self.child.append(take("<u4", self.vocab + 1))
        for n in range(2, self.order + 1):
            size, last = self.sizes[n - 1], n == self.order
            book = take("<f4", 256) if value_bytes == 1 else None
            back_book = take("<f4", 256) if value_bytes == 1 and not last else None
            self.id.append(take(f"<u{id_bytes}", size))
            values = take("<u1" if value_bytes == 1 else "<f4", size)
            self.log_prob.append(values if book is None else book[values])
            if not last:
                values = take("<u1" if value_bytes == 1 else "<f4", size)
                self.backoff.append(values if back_book is None else back_book[values])
                self.child.append(take("<u4", size + 1))
        assert at == len(data)

    def find(self, gram: Sequence[int]) -> int | None:
        entry = int(gram[0])
        for n, token in enumerate(gram[1:], start=1):
            low, high = int(self.child[n - 1][entry]), int(self.child[n - 1][entry + 1])
            place = low + int(np.searchsorted(self.id[n][low:high], token))
            if place == high or self.id[n][place] != token:
                return None
            entry = place
        return entry

    def score(self, context: Sequence[int], word: int) -> float:
        context = list(context)[-(self.order - 1) :] if self.order > 1 else []
        entry = self.find([*context, word])
        if entry is not None:
            return float(self.log_prob[len(context)][entry])
        place = self.find(context)
        backoff = 0.0 if place is None else float(self.backoff[len(context) - 1][place])
        return backoff + self.score(context[1:], word)
