"""Small packs for the tests of the personal room; all words and numbers are invented."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence

import numpy as np

from nearkey import _kernel

PROBABILITIES = {
    "the": 0.3, "level": 0.15, "set": 0.15, "staff": 0.1, "bevel": 0.1, "up": 0.1, "north": 0.06,
    "shaft": 0.04,
}  # fmt: skip


class TinyLexicon:
    def __init__(self, probabilities: Mapping[str, float]) -> None:
        self.words = sorted(probabilities, key=lambda w: (len(w), w))
        self._set = frozenset(self.words)
        self.log_probs = np.log([probabilities[w] for w in self.words]).astype(np.float32)

    def __len__(self) -> int:
        return len(self.words)

    def __iter__(self):
        return iter(self.words)

    def __contains__(self, word: object) -> bool:
        return word in self._set

    def index(self, word: str) -> int | None:
        return self.words.index(word) if word in self._set else None


class WordStates:
    """A language model whose states are tuples of words, not read by the kernel.

    After `bigrams[v]` the words named have the probabilities given, the others share the rest in
    proportion to their own.
    """

    def __init__(
        self, lexicon: TinyLexicon, bigrams: Mapping[str, Mapping[str, float]] | None = None
    ) -> None:
        self._lexicon = lexicon
        self._bigrams = bigrams or {}

    def start(self) -> tuple[str, ...]:
        return ("<s>",)

    def advance(self, state: tuple[str, ...], word: str) -> tuple[str, ...]:
        return (*state, word)[-2:]

    def log_probs(self, state: tuple[str, ...]) -> np.ndarray:
        plain = dict(
            zip(self._lexicon.words, np.exp(self._lexicon.log_probs.astype(float)), strict=True)
        )
        own = self._bigrams.get(state[-1], {}) if state else {}
        rest = (1 - sum(own.values())) / sum(p for w, p in plain.items() if w not in own)
        found = [own.get(w, rest * plain[w]) for w in self._lexicon.words]
        return np.log(found).astype(np.float32)

    def log_unknown(self, state: tuple[str, ...]) -> float:
        return -math.inf


class TinyPack:
    def __init__(
        self,
        probabilities: Mapping[str, float] = PROBABILITIES,
        bigrams: Mapping[str, Mapping[str, float]] | None = None,
    ) -> None:
        self.lexicon = TinyLexicon(probabilities)
        self.language_model = WordStates(self.lexicon, bigrams)


class TableModel:
    """A bigram model in the kernel's own table, written by the format in DEVELOPERS.md."""

    def __init__(
        self, lexicon: TinyLexicon, bigrams: Mapping[str, Mapping[str, float]] | None = None
    ) -> None:
        bigrams = bigrams or {}
        self._id = {"<unk>": 0, "<s>": 1, "</s>": 2, "<num>": 3}
        self._id |= {w: i + 4 for i, w in enumerate(lexicon.words)}
        v = len(self._id)
        plain = np.exp(lexicon.log_probs.astype(float))
        unigram = np.full(v, -30.0, np.float32)
        unigram[4:] = lexicon.log_probs
        backoff = np.zeros(v, np.float32)
        child = np.zeros(v + 1, np.uint32)
        ids: list[int] = []
        values: list[float] = []
        by_id = {self._id[w]: f for w, f in bigrams.items()}
        for i in range(v):
            child[i] = len(ids)
            followers = sorted((self._id[w], p) for w, p in by_id.get(i, {}).items())
            ids += [w for w, _ in followers]
            values += [math.log(p) for _, p in followers]
            if followers:
                left = 1 - sum(p for _, p in followers)
                backoff[i] = math.log(left / (1 - sum(plain[w - 4] for w, _ in followers)))
        child[v] = len(ids)
        header = b"NKNGRAM1" + struct.pack("<8I", 2, v, 4, 4, 1, 2, 0, 0)
        header += struct.pack("<5Q", v, len(ids), 0, 0, 0)
        parts = [
            header.ljust(256, b"\0"),
            unigram.tobytes(),
            backoff.tobytes(),
            child.tobytes(),
            np.asarray(ids, np.uint32).tobytes(),
            np.asarray(values, np.float32).tobytes(),
        ]
        data = b"".join(p + b"\0" * (-len(p) % 8) for p in parts)
        self.table = _kernel.NgramTable(np.frombuffer(data, np.uint8).copy())

    def start(self) -> tuple[int, ...]:
        return (1,)

    def advance(self, state: tuple[int, ...], word: str) -> tuple[int, ...]:
        return (*state, self._id.get(word, 0))[-2:]

    def tokens(self, words: Sequence[str]) -> np.ndarray:
        return np.asarray([self._id.get(w, 0) for w in words], np.uint32)

    def log_probs(self, state: tuple[int, ...]) -> np.ndarray:
        return self.table.log_probs(list(state), self.tokens(list(self._id)[4:])).astype(np.float32)

    def log_unknown(self, state: tuple[int, ...]) -> float:
        return self.table.log_prob(list(state), 0)


class TablePack:
    def __init__(
        self,
        probabilities: Mapping[str, float] = PROBABILITIES,
        bigrams: Mapping[str, Mapping[str, float]] | None = None,
    ) -> None:
        self.lexicon = TinyLexicon(probabilities)
        self.language_model = TableModel(self.lexicon, bigrams)
