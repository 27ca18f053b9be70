"""The words of a pack, looked up in a table that is made of them here: no file says where a word is."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from nearkey.language.arrays import (
    check_texts,
    damaged,
    pack_texts,
    read_arrays,
    take_arrays,
    unpack_texts,
    write_arrays,
)
from nearkey.language.tokens import FIRST_WORD, UNK, normalise_word, word_order

LONGEST_WORD = 256
"""Characters of a word, accents apart: a longer string is none, and is not even normalised."""

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
        self, arrays: dict[str, Array], *, fold_accents: bool = False, language: str = ""
    ) -> None:
        self._text = arrays["text"]
        self._offset = arrays["offset"]
        self.log_probs: NDArray[np.float32] = arrays["log_prob"]
        self.flags: NDArray[np.uint8] = arrays["flags"]
        self.fold_accents = fold_accents
        self.language = language

    @classmethod
    def read(cls, folder: Path, *, language: str = "") -> Lexicon:
        """Read ``words.bin`` of a pack's folder; PackError if it is damaged.

        language : tag of the pack's language.

        It is read, not mapped: a file that another program writes over cannot take words away from a decoder.
        ``lexicon.marisa``, which earlier versions looked words up in, is not read.
        """
        path = folder / "words.bin"
        arrays, meta = read_arrays(path)
        _check(arrays, path)
        folded = bool(meta.get("fold_accents", False))
        return cls(arrays, fold_accents=folded, language=language)

    # Plain properties over cached ones: a type checker takes only those for what the decoder's Protocol asks.
    @cached_property
    def _words(self) -> tuple[str, ...]:
        return unpack_texts(self._offset, self._text)

    @cached_property
    def _index(self) -> dict[str, int]:
        return {word: index for index, word in enumerate(self.words)}

    @cached_property
    def _offensive(self) -> frozenset[int]:
        return frozenset(np.flatnonzero(self.flags & FLAG_OFFENSIVE).tolist())

    @property
    def words(self) -> tuple[str, ...]:
        """All words; decoded at first use."""
        return self._words

    @property
    def offensive(self) -> frozenset[int]:
        """Positions of the words that should be shown only when they were typed exactly."""
        return self._offensive

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
        at = self._index.get(word)
        if at is None and len(word) <= LONGEST_WORD:
            at = self._index.get(self.normalise(word))
        return at

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
        """All words that begin with `prefix`, in the lexicon's order."""
        plain = self.normalise(prefix[:LONGEST_WORD])
        return [word for word in self.words if word.startswith(plain)]

    def is_offensive(self, word: str) -> bool:
        """Whether the word should be shown only when it was typed exactly."""
        at = self.index(word)
        return at in self.offensive


def _check(arrays: dict[str, Array], where: Path) -> None:
    """Shapes, types and ranges of the arrays."""
    text, offset, log_prob, flags = take_arrays(
        arrays, where, text="u1", offset="u4", log_prob="f4", flags="u1"
    )
    size = len(offset) - 1
    check_texts(offset, text, where)
    if size < 1 or np.any(offset[1:] == offset[:-1]):
        raise damaged("an empty word", where, "offset")
    if int(np.diff(offset.astype(np.int64)).max()) > LONGEST_WORD * 4:
        raise damaged("a word too long", where, "offset")
    for name, array in (("log_prob", log_prob), ("flags", flags)):
        if len(array) != size:
            raise damaged(f"not {size} entries", where, name)
    if not np.all(log_prob <= 0):
        raise damaged("not natural logs of probabilities", where, "log_prob")


def write_lexicon(
    folder: Path,
    words: Sequence[str],
    log_probs: NDArray[np.floating[Any]],
    flags: NDArray[np.uint8],
    *,
    fold_accents: bool,
) -> None:
    """Write ``lexicon.marisa`` and ``words.bin`` into `folder`.

    words : sorted by `tokens.word_order`, else ValueError. ``lexicon.marisa`` and the array ``of_trie`` are for earlier
    versions, which look words up in them. log_probs : natural, ``(n_words,)``. flags :
    ``(n_words,)``, bits as named in this module. fold_accents : whether the words lost their accents.
    """
    if any(word_order(a) >= word_order(b) for a, b in pairwise(words)):
        raise ValueError("words are not in their order, or one is there twice")
    import marisa_trie

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
