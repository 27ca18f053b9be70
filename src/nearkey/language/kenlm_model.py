"""A KenLM or ARPA model of one's own in the place of a pack's word model."""

from __future__ import annotations

import math
import os
import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.extras import library
from nearkey.language.models import SENTENCE_END
from nearkey.language.tokens import normalise_word, sentences

_LN10 = math.log(10.0)
_END = 1 << 16
_COUNT = re.compile(rb"ngram\s+\d+\s*=\s*(\d+)\s*")


class KenlmModel:
    """A language model for the decoder, read by KenLM: its binary files and ARPA files.

    Words are looked up in lower case, as nearkey's own estimator counts them; a word the model lacks gets
    its ``<unk>`` probability. A context costs some 0.4 microseconds a word of the lexicon when it is new (the decoder
    keeps those of late), and is then decoded as exactly as with a pack's own table, which is faster.

    Parameters
    ----------
    path : an ARPA file or a KenLM binary file.
    words : those of the lexicon it stands beside, in their order: ``pack.lexicon.words``. None where it is
        only asked for single words (`log_prob`).

    Raises NearkeyError where kenlm is not installed, PackError for a file it cannot read.
    """

    def __init__(self, path: str | os.PathLike[str], words: Sequence[str] | None = None) -> None:
        kenlm = library("kenlm", extra="kenlm", where=path)
        if not Path(path).is_file():
            raise PackError("no such file", where=path, fix="check the path")
        _check_counts(Path(path))
        try:
            self._model: Any = kenlm.Model(os.fspath(path))
        except (OSError, RuntimeError, ValueError, MemoryError) as fault:
            said = "bytes that are no text" if isinstance(fault, UnicodeError) else str(fault)
            raise PackError(
                f"KenLM cannot read it: {said[:120]}",
                where=path,
                fix="name an ARPA or KenLM file",
            ) from None
        self._kenlm: Any = kenlm
        self.order: int = int(self._model.order)
        self._path = Path(path).resolve()
        self._print = _fingerprint(self._path)
        self._words = None if words is None else tuple(words)
        self._plain = [] if words is None else [normalise_word(word) for word in words]

    def __reduce__(self) -> tuple[Any, ...]:
        # Worker processes read the file anew, where it lies at the same path and is the same.
        return _reopened, (self._path, self._words, self._print)

    def start(self) -> tuple[str, ...]:
        """The state at the start of a sentence: words so far, ``<s>`` first."""
        return ("<s>",)

    def advance(self, state: tuple[str, ...], word: str) -> tuple[str, ...]:
        """The state after one more word."""
        return (*state, normalise_word(word))[-max(1, self.order - 1) :]

    def state_after(self, text: str) -> tuple[str, ...]:
        """The state after running text."""
        state = self.start()
        found = list(sentences(text.splitlines()[-1:]))
        if found and found[-1].punctuation[-1] not in SENTENCE_END:
            for word in found[-1].words:
                state = self.advance(state, word)
        return state

    def log_probs(self, state: tuple[str, ...]) -> NDArray[np.float32]:
        """Natural log P(word | state) of every word of the lexicon, float32 (n_words,); PackError without one."""
        if self._words is None:
            raise PackError(
                "has no words",
                where=self._path,
                field="words",
                fix="give KenlmModel(path, pack.lexicon.words)",
            )
        return np.array(self._scores(state, self._plain), dtype=np.float32)

    def log_unknown(self, state: tuple[str, ...]) -> float:
        """Natural log P(a word the model lacks | state)."""
        return float(self._scores(state, ["<unk>"])[0])

    def _scores(self, state: tuple[str, ...], plain: Sequence[str]) -> NDArray[np.float64]:
        before, after = self._kenlm.State(), self._kenlm.State()
        if state and state[0] == "<s>":
            self._model.BeginSentenceWrite(before)
            state = state[1:]
        else:
            self._model.NullContextWrite(before)
        for word in state:
            self._model.BaseScore(before, word, after)
            before, after = after, before
        score = self._model.BaseScore
        found = np.array([score(before, word, after) for word in plain], dtype=np.float64)
        return np.minimum(found * _LN10, 0.0)

    def log_prob(self, context: str | tuple[str, ...], word: str) -> float:
        """Natural log P(word | context); the context is running text, or a state."""
        state = self.state_after(context) if isinstance(context, str) else context
        return float(self._scores(state, [normalise_word(word)])[0])


def _check_counts(path: Path) -> None:
    """Raise PackError for an ARPA file whose head counts n-grams that it cannot hold: KenLM would end the process."""
    with path.open("rb") as data:
        most = data.seek(0, os.SEEK_END)
        data.seek(0)
        for _ in range(16):  # orders, and lines before them
            line = data.readline(1000)
            count = _COUNT.fullmatch(line)
            if line.startswith(b"ngram") and (count is None or int(count[1]) > most):
                raise PackError(
                    "a count of n-grams is none",
                    where=path,
                    field="\\data\\",
                    fix="name an ARPA or KenLM file",
                )


def _fingerprint(path: Path) -> tuple[int, int]:
    """Size and a CRC-32 of both ends: tells another model at the same path without reading it all."""
    with path.open("rb") as data:
        size = data.seek(0, os.SEEK_END)
        data.seek(0)
        first = data.read(_END)
        data.seek(max(0, size - _END))
        return size, zlib.crc32(data.read(_END), zlib.crc32(first))


def _reopened(
    path: Path, words: tuple[str, ...] | None, fingerprint: tuple[int, int]
) -> KenlmModel:
    model = KenlmModel(path, words)
    if model._print != fingerprint:
        raise PackError(
            "is another model than the one that was sent",
            where=path,
            fix="put the same file there on every machine",
        )
    return model
