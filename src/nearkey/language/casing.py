"""How words are written, and which mark follows them: two small tables of a pack."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

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
from nearkey.language.lexicon import Lexicon
from nearkey.language.tokens import PUNCTUATION
from nearkey.letter_case import capital, upper

_MOST_SYMBOLS = 64


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
