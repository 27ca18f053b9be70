"""The words of a pack, looked up in a table that is made of them here: no file says where a word is.

And how words are written, and which mark follows them: two small tables.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
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
from nearkey.language.tokens import FIRST_WORD, PUNCTUATION, UNK, normalise_word, word_order
from nearkey.letter_case import capital, upper

LONGEST_WORD = 256
"""Characters of a word, accents apart: a longer string is none, and is not even normalised."""

FLAG_OFFENSIVE = 1
"""Bit of `Lexicon.flags`: show the word only when it was typed exactly."""

_MOST_SYMBOLS = 64

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


# ---- how words are written, what follows them ----


class Truecase:
    """The form of a word that is most frequent within sentences: ``london`` -> ``London``, ``i`` -> ``I``.

    Only words whose usual form differs from the lexicon's are stored.
    """

    def __init__(
        self, lexicon: Lexicon, forms: Mapping[int, str], shares: Mapping[int, float]
    ) -> None:
        self._lexicon = lexicon
        self._forms = forms
        self._shares = shares

    @classmethod
    def read(cls, path: Path, lexicon: Lexicon) -> Truecase:
        """Read ``case.bin``; PackError if it does not fit the lexicon."""
        arrays, _ = read_arrays(path)
        word, offset, text, share = take_arrays(
            arrays, path, word="u4", offset="u4", text="u1", share="f4"
        )
        if len(offset) != len(word) + 1 or len(share) != len(word):
            raise damaged("tables of unequal length", path)
        check_texts(offset, text, path)
        if np.any(offset[1:] == offset[:-1]):
            raise damaged("an empty form", path, "offset")
        if not np.all((share > 0) & (share <= 1)):
            raise damaged("not shares", path, "share")
        _check_order(word, lexicon, path)
        at = word.tolist()
        forms = dict(zip(at, unpack_texts(offset, text), strict=True))
        return cls(lexicon, forms, dict(zip(at, share.tolist(), strict=True)))

    def __len__(self) -> int:
        """Number of words whose form differs from the lexicon's."""
        return len(self._forms)

    @property
    def forms(self) -> Mapping[int, str]:
        """The usual forms that differ from the lexicon's, by the word's position there."""
        return self._forms

    def form(self, word: str, *, start: bool = False) -> str:
        """The word as it is usually written; with a capital at the start of a sentence."""
        at = self._lexicon.index(word)
        form = word if at is None else self._forms.get(at, word)
        return self.capital(form) if start else form

    def capital(self, form: str) -> str:
        """A form as it stands at the start of a sentence."""
        return capital(form, self._lexicon.language)

    def upper(self, text: str) -> str:
        """`text` in capitals, by the rules of the language."""
        return upper(text, self._lexicon.language)

    def share(self, word: str) -> float:
        """Share of the word's uses within sentences that have this form; 1 where none differs."""
        at = self._lexicon.index(word)
        return 1.0 if at is None else self._shares.get(at, 1.0)


class PunctuationModel:
    """P(mark after a word | word): which of ``, . ? ! ; :`` or none ("") follows.

    Words with little evidence are drawn to the average over all words.
    """

    def __init__(
        self,
        lexicon: Lexicon,
        overall: NDArray[np.float32],
        word: NDArray[np.uint32],
        probs: NDArray[np.float32],
        symbols: Sequence[str] = PUNCTUATION,
    ) -> None:
        self._lexicon = lexicon
        self._overall = overall
        self._word = word
        self._probs = probs
        self.symbols = tuple(symbols)

    @classmethod
    def read(cls, path: Path, lexicon: Lexicon) -> PunctuationModel:
        """Read ``marks.bin``; PackError if it does not fit the lexicon."""
        arrays, meta = read_arrays(path)
        symbols = meta.get("symbols")
        symbols = symbols if isinstance(symbols, list) else []
        known = all(isinstance(s, str) and len(s) <= 1 and s.isprintable() for s in symbols)
        if not known or not 0 < len(symbols) == len(set(symbols)) <= _MOST_SYMBOLS:
            raise damaged("no list of punctuation", path, "symbols")
        overall, word, probs = take_arrays(arrays, path, overall="f4", word="u4", probs="f4/2")
        if probs.shape != (len(word), len(symbols)) or overall.shape != (len(symbols),):
            raise damaged("tables of unequal length", path)
        for name, table in (("overall", overall), ("probs", probs)):
            if not np.all((table > 0) & (table <= 1)):
                raise damaged("not probabilities", path, name)
        _check_order(word, lexicon, path)
        return cls(lexicon, overall, word, probs, symbols)

    def table(self) -> tuple[NDArray[np.float32], NDArray[np.uint32], NDArray[np.float32]]:
        """The average row, the words with a row of their own, and these rows."""
        return self._overall, self._word, self._probs

    def log_probs(self, word: str) -> dict[str, float]:
        """Natural log probability of each mark after `word`, of none under ""; they sum to 1."""
        row = self._overall
        at = self._lexicon.index(word)
        if at is not None and len(self._word):
            found = int(np.searchsorted(self._word, at))
            if found < len(self._word) and self._word[found] == at:
                row = self._probs[found]
        return {symbol: math.log(p) for symbol, p in zip(self.symbols, row.tolist(), strict=True)}


def _check_order(word: NDArray[np.uint32], lexicon: Lexicon, path: Path) -> None:
    """PackError unless these are places of words of the lexicon, each once, in their order."""
    if np.any(word[1:] <= word[:-1]):
        raise damaged("words out of order", path, "word")
    if len(word) and int(word[-1]) >= len(lexicon):
        raise damaged("points past the last word", path, "word")


def write_truecase(path: Path, forms: Mapping[int, tuple[str, float]]) -> None:
    """Write ``case.bin`` from word index -> (form, share)."""
    order = sorted(forms)
    write_arrays(
        path,
        {
            "word": np.array(order, dtype=np.uint32),
            **pack_texts([forms[word][0] for word in order]),
            "share": np.array([forms[word][1] for word in order], dtype=np.float32),
        },
    )


def write_punctuation(
    path: Path,
    overall: NDArray[np.floating[Any]],
    word: NDArray[np.integer[Any]],
    probs: NDArray[np.floating[Any]],
) -> None:
    """Write ``marks.bin``: the average row, and a row for each word with enough evidence."""
    write_arrays(
        path,
        {
            "overall": overall.astype(np.float32),
            "word": word.astype(np.uint32),
            "probs": probs.astype(np.float32),
        },
        meta={"symbols": list(PUNCTUATION)},
    )
