"""The words of a pack: mapped from disk, looked up through a marisa trie."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, overload

import marisa_trie
import numpy as np
from numpy.typing import NDArray

from nearkey.language.arrays import (
    damaged,
    pack_texts,
    read_arrays,
    take_arrays,
    unpack_texts,
    write_arrays,
)
from nearkey.language.tokens import FIRST_WORD, UNK, normalise_word, word_order

__all__ = ["FLAG_OFFENSIVE", "Lexicon", "write_lexicon"]

FLAG_OFFENSIVE = 1
"""Bit of `Lexicon.flags`: show the word only when it was typed exactly."""

Array = np.ndarray[Any, Any]


class Lexicon(Sequence[str]):
    """All words a pack knows, in the order of their token ids.

    Attributes
    ----------
    log_probs : float32, (n,), natural log P(word) without context; they sum to 1 over the lexicon.
    flags : uint8, (n,), bits as named in this module.
    fold_accents : whether words were stored without accents.
    language : tag of the language, whose rules of lower case hold.
    """

    def __init__(
        self,
        trie: marisa_trie.Trie,
        arrays: dict[str, Array],
        *,
        fold_accents: bool = False,
        language: str = "",
    ) -> None:
        self._trie = trie
        self._text = arrays["text"]
        self._offset = arrays["offset"]
        self._of_trie = arrays["of_trie"]
        self.log_probs: NDArray[np.float32] = arrays["log_prob"]
        self.flags: NDArray[np.uint8] = arrays["flags"]
        self.fold_accents = fold_accents
        self.language = language

    @classmethod
    def read(cls, folder: Path, *, language: str = "") -> Lexicon:
        """Map ``lexicon.marisa`` and ``words.bin`` of a pack's folder; PackError if they do not fit.

        language : tag of the pack's language."""
        path = folder / "words.bin"
        arrays, meta = read_arrays(path)
        size = _check(arrays, path)
        trie = marisa_trie.Trie()
        try:
            trie.mmap(os.fspath(folder / "lexicon.marisa"))
        except (OSError, RuntimeError) as fault:
            raise damaged(f"not a word trie: {fault}", folder / "lexicon.marisa") from None
        if len(trie) != size:
            problem = f"{len(trie)} words where words.bin has {size}"
            raise damaged(problem, folder / "lexicon.marisa")
        folded = bool(meta.get("fold_accents", False))
        return cls(trie, arrays, fold_accents=folded, language=language)

    @cached_property
    def words(self) -> tuple[str, ...]:
        """All words; decoded at first use."""
        return unpack_texts(self._offset, self._text)

    @cached_property
    def offensive(self) -> frozenset[int]:
        """Positions of the words that should be shown only when they were typed exactly."""
        return frozenset(np.flatnonzero(self.flags & FLAG_OFFENSIVE).tolist())

    def __len__(self) -> int:
        return len(self._offset) - 1

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[str, ...]: ...
    def __getitem__(self, at: int | slice) -> str | tuple[str, ...]:
        if isinstance(at, slice):
            return self.words[at]
        size = len(self)
        if not -size <= at < size:
            raise IndexError(f"word {at} of {size}")
        at %= size
        return self._text[self._offset[at] : self._offset[at + 1]].tobytes().decode("utf-8")

    def __iter__(self) -> Iterator[str]:
        return iter(self.words)

    def __contains__(self, word: object) -> bool:
        return isinstance(word, str) and self.index(word) is not None

    def index(self, word: str, *_: int) -> int | None:  # type: ignore[override]
        """Position of a word, however it is cased; None if the lexicon has not got it."""
        key = self._trie.get(word)
        if key is None:
            key = self._trie.get(self.normalise(word))
        return None if key is None else int(self._of_trie[key])

    def normalise(self, word: str) -> str:
        """A word as the lexicon would spell it."""
        return normalise_word(word, fold=self.fold_accents, language=self.language)

    def token(self, word: str) -> int:
        """Token id of a word; that of ``<unk>`` if the lexicon has not got it."""
        at = self.index(word)
        return UNK if at is None else at + FIRST_WORD

    def log_prob(self, word: str) -> float:
        """Natural log P(word) without context; minus infinity for a word outside the lexicon."""
        at = self.index(word)
        return float("-inf") if at is None else float(self.log_probs[at])

    def starting_with(self, prefix: str) -> list[str]:
        """All words that begin with `prefix`, in no particular order."""
        return list(self._trie.keys(self.normalise(prefix)))

    def is_offensive(self, word: str) -> bool:
        """Whether the word should be shown only when it was typed exactly."""
        at = self.index(word)
        return at in self.offensive


def _check(arrays: dict[str, Array], where: Path) -> int:
    """Shapes, types and ranges of the arrays; the number of words."""
    text, offset, of_trie, log_prob, flags = take_arrays(
        arrays, where, text="u1", offset="u4", of_trie="u4", log_prob="f4", flags="u1"
    )
    size = len(offset) - 1
    fits = size >= 1 and offset[0] == 0 and offset[-1] == len(text)
    if not fits or np.any(offset[1:] <= offset[:-1]):
        raise damaged("words overlap", where, "offset")
    for name, array in (("of_trie", of_trie), ("log_prob", log_prob), ("flags", flags)):
        if len(array) != size:
            raise damaged(f"not {size} entries", where, name)
    if int(of_trie.max()) >= size:
        raise damaged("points past the last word", where, "of_trie")
    return size


def write_lexicon(
    folder: Path,
    words: Sequence[str],
    log_probs: NDArray[np.floating[Any]],
    flags: NDArray[np.uint8],
    *,
    fold_accents: bool,
) -> None:
    """Write ``lexicon.marisa`` and ``words.bin`` into `folder`.

    words : sorted by `tokens.word_order`, else ValueError. log_probs : natural, ``(n_words,)``. flags :
    ``(n_words,)``, bits as named in this module. fold_accents : whether the words lost their accents.
    """
    if any(word_order(a) >= word_order(b) for a, b in pairwise(words)):
        raise ValueError("words are not in their order, or one is there twice")
    trie = marisa_trie.Trie(words)
    trie.save(os.fspath(folder / "lexicon.marisa"))
    of_trie = np.empty(len(words), dtype=np.uint32)
    for index, word in enumerate(words):
        of_trie[trie[word]] = index
    write_arrays(
        folder / "words.bin",
        {
            **pack_texts(words),
            "of_trie": of_trie,
            "log_prob": log_probs.astype(np.float32),
            "flags": flags.astype(np.uint8),
        },
        meta={"fold_accents": fold_accents},
    )
