"""Small lexicons, language models and touch models for tests, and slow obvious answers to check against."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from nearkey._kernel import NgramTable
from nearkey.layout import Key, Layout

UNK, BOS, EOS = 0, 1, 2
FIRST_WORD = 3

Ngrams = Mapping[tuple[int, ...], tuple[float, float]]
"""An n-gram (oldest word first) to its natural log probability and back-off."""


def table_bytes(ngrams: Ngrams, vocab: int, order: int) -> np.ndarray[Any, Any]:
    """An n-gram table of format 1 with float32 values and 2-byte ids, written from the description alone."""

    def padded(data: bytes) -> bytes:
        return data + b"\0" * (-len(data) % 8)

    levels: list[list[tuple[int, ...]]] = [[(w,) for w in range(vocab)]]
    for n in range(2, order + 1):
        known = {g: i for i, g in enumerate(levels[-1])}
        levels.append(
            sorted(
                (g for g in ngrams if len(g) == n and g[:-1] in known),
                key=lambda g: (known[g[:-1]], g[-1]),
            )
        )
    out = struct.pack("<8s7I4x", b"NKNGRAM1", order, vocab, 2, 4, BOS, EOS, UNK)
    out += struct.pack("<5Q", *(len(level) for level in levels), *([0] * (5 - order)))
    out += b"\0" * (256 - len(out))
    for n, level in enumerate(levels, start=1):
        if n > 1:
            out += padded(np.asarray([g[-1] for g in level], "<u2").tobytes())
        out += padded(np.asarray([ngrams[g][0] for g in level], "<f4").tobytes())
        if n < order:
            out += padded(np.asarray([ngrams[g][1] for g in level], "<f4").tobytes())
            below = levels[n]
            parents = [g[:-1] for g in below]
            child = [0]
            for g in level:
                child.append(child[-1] + parents.count(g))
            out += padded(np.asarray(child, "<u4").tobytes())
    return np.frombuffer(out, dtype=np.uint8)


def ngram_log_prob(ngrams: Ngrams, context: Sequence[int], word: int, order: int) -> float:
    """Back-off probability straight from its definition, in the table's float32 values."""
    h = tuple(context)[-(order - 1) :] if order > 1 else ()
    if (*h, word) in ngrams:
        return float(np.float32(ngrams[(*h, word)][0]))
    if not h:
        raise KeyError(word)
    backoff = float(np.float32(ngrams[h][1])) if h in ngrams else 0.0
    return backoff + ngram_log_prob(ngrams, h[1:], word, order)


@dataclass
class SmallLexicon:
    words: list[str]
    log_probs: np.ndarray[Any, Any]

    def __len__(self) -> int:
        return len(self.words)

    def __iter__(self) -> Iterator[str]:
        return iter(self.words)

    def __contains__(self, word: object) -> bool:
        return word in self.words

    def index(self, word: str) -> int | None:
        return self.words.index(word) if word in self.words else None


@dataclass
class SmallTableModel:
    """A language model with a kernel table; word i of the lexicon is token FIRST_WORD + i."""

    words: list[str]
    ngrams: Ngrams
    order: int
    table: NgramTable = field(init=False)

    def __post_init__(self) -> None:
        self.table = NgramTable(table_bytes(self.ngrams, FIRST_WORD + len(self.words), self.order))
        self._token = {w: FIRST_WORD + i for i, w in enumerate(self.words)}

    def start(self) -> tuple[int, ...]:
        return (BOS,)

    def advance(self, state: tuple[int, ...], word: str) -> tuple[int, ...]:
        return (*state, self._token.get(word, UNK))[-(self.order - 1) :] if self.order > 1 else ()

    def tokens(self, words: Sequence[str]) -> np.ndarray[Any, Any]:
        return np.asarray([self._token.get(w, UNK) for w in words], np.uint32)

    def log_probs(self, state: tuple[int, ...]) -> np.ndarray[Any, Any]:
        tokens = range(FIRST_WORD, FIRST_WORD + len(self.words))
        found = [ngram_log_prob(self.ngrams, state, token, self.order) for token in tokens]
        return np.asarray(found, np.float32)

    def log_unknown(self, state: tuple[int, ...]) -> float:
        return ngram_log_prob(self.ngrams, state, UNK, self.order)


@dataclass
class WithoutTable:
    """A language model as anybody may bring it: the same as another, but without the table the kernel reads."""

    model: Any

    def start(self) -> Any:
        return self.model.start()

    def advance(self, state: Any, word: str) -> Any:
        return self.model.advance(state, word)

    def log_probs(self, state: Any) -> np.ndarray[Any, Any]:
        return self.model.log_probs(state)

    def log_unknown(self, state: Any) -> float:
        return self.model.log_unknown(state)


@dataclass
class PlainModel:
    """A language model the kernel knows nothing of: the first letter of the last word makes words likely."""

    words: list[str]

    def start(self) -> tuple[str, ...]:
        return ()

    def advance(self, state: tuple[str, ...], word: str) -> tuple[str, ...]:
        return (word,)

    def log_probs(self, state: tuple[str, ...]) -> np.ndarray[Any, Any]:
        share = np.asarray([4.0 if state and w[0] == state[0][0] else 1.0 for w in self.words])
        return np.log(share / share.sum() * 0.99).astype(np.float32)

    def log_unknown(self, state: tuple[str, ...]) -> float:
        return math.log(0.01)


@dataclass
class SmallPack:
    lexicon: SmallLexicon
    language_model: Any


@dataclass
class PlainTouch:
    """A user's own touch model: isotropic Gaussians around the key centres, no components."""

    layout: Layout
    sigma: float

    @property
    def key_ids(self) -> tuple[str, ...]:
        return self.layout.key_ids

    def log_prob(self, points: Any) -> np.ndarray[Any, Any]:
        offset = np.asarray(points, float)[:, None, :] - self.layout.centers
        return -0.5 * (offset**2).sum(-1) / self.sigma**2 - math.log(2 * math.pi * self.sigma**2)


def row_layout(
    groups: Sequence[str], *, name: str = "row", functions: Sequence[str] = ()
) -> Layout:
    """Keys of one unit in a row, one a group of letters; then function keys by role."""
    keys = [
        Key(id=f"k{i}", label=g, x=float(i), y=0.0, w=1.0, h=1.0, letters=g, role="letters")
        for i, g in enumerate(groups)
    ]
    keys += [
        Key(
            id=role,
            label=role,
            x=float(len(groups) + i),
            y=0.0,
            w=1.0,
            h=1.0,
            letters="",
            role=role,
        )
        for i, role in enumerate(functions)
    ]
    alphabet = "".join(sorted("".join(groups)))
    return Layout(
        name=name,
        unit_mm=1.0,
        width=float(len(keys)),
        height=1.0,
        keys=tuple(keys),
        alphabet=alphabet,
    )


def random_ngrams(
    rng: np.random.Generator, n_words: int, order: int, density: float
) -> dict[tuple[int, ...], tuple[float, float]]:
    """Random log probabilities and back-offs; no proper distribution, which exactness does not need."""
    vocab = FIRST_WORD + n_words
    ngrams = {(w,): (float(rng.uniform(-9, -1)), float(rng.uniform(-3, 0.5))) for w in range(vocab)}
    level = list(ngrams)
    for _ in range(2, order + 1):
        grown = [(*g, w) for g in level for w in range(vocab) if rng.random() < density]
        ngrams |= {g: (float(rng.uniform(-9, -0.1)), float(rng.uniform(-3, 0.5))) for g in grown}
        level = grown
    return ngrams


def best_alignment(
    density: np.ndarray[Any, Any], letters: Sequence[int], costs: Mapping[str, float]
) -> float:
    """The best touch score of a word with at most one edit, by listing every edit at every place."""
    n, m = len(density), len(letters)

    def plain(rows: Sequence[int], columns: Sequence[int]) -> float:
        return float(sum(density[r, c] for r, c in zip(rows, columns, strict=True)))

    scores = [-math.inf]
    rows = list(range(n))
    if n == m:
        scores.append(plain(rows, letters))
        if "swapped" in costs:
            for i in range(n - 1):
                order = [*rows[:i], i + 1, i, *rows[i + 2 :]]
                scores.append(plain(order, letters) + costs["swapped"])
    if m == n + 1 and "omitted" in costs:
        for i in range(m):
            scores.append(plain(rows, [*letters[:i], *letters[i + 1 :]]) + costs["omitted"])
    if m == n - 1 and "extra" in costs:
        for i in range(n):
            scores.append(plain([*rows[:i], *rows[i + 1 :]], letters) + costs["extra"])
    if m > n and "completion" in costs:
        scores.append(plain(rows, letters[:n]) + costs["completion"])
    return max(scores)
