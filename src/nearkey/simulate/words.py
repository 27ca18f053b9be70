"""The words a simulated typist types: drawn from a pack, or taken from running text."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack, State
from nearkey.decode.spelling import spell, spell_words
from nearkey.errors import PlanError
from nearkey.files import read_text
from nearkey.simulate.text import running_words

__all__ = ["WordSample", "corpus_sample", "read_corpus", "unigram_sample"]


@dataclass(frozen=True, slots=True)
class WordSample:
    """Words to type, each with the language model's state before it.

    index : (n,) int64, positions in the pack's lexicon.
    states : the state before each word, or None for words without context.
    source : where they come from, for reports.
    skipped : running words left out because the lexicon lacks them.
    """

    index: NDArray[np.int64]
    states: tuple[State, ...] | None
    source: str
    skipped: int = 0

    def __len__(self) -> int:
        return len(self.index)

    def part(self, start: int, stop: int) -> WordSample:
        """The words from `start` up to `stop`."""
        states = None if self.states is None else self.states[start:stop]
        return WordSample(self.index[start:stop], states, self.source, self.skipped)


def typeable(pack: LanguagePack, letters: str) -> NDArray[np.bool_]:
    """Which words of the lexicon the letters of a layout can spell, (n_words,)."""
    can = np.ones(len(pack.lexicon), dtype=bool)
    can[spell_words(pack.lexicon.words, letters).untypeable] = False
    return can


def unigram_sample(
    pack: LanguagePack, words: int, *, rng: np.random.Generator, letters: str | None = None
) -> WordSample:
    """Draw words by their probability in the pack, without context.

    letters : draw only words these letters can spell.
    """
    probability = np.exp(np.asarray(pack.lexicon.log_probs, dtype=np.float64))
    if letters is not None:
        probability = np.where(typeable(pack, letters), probability, 0.0)
    total = probability.sum()
    if not total > 0:
        raise PlanError(
            "no word of the pack can be typed", field="layouts", fix="check the letters on the keys"
        )
    index = rng.choice(len(probability), size=words, p=probability / total)
    return WordSample(index, None, "words drawn by their probability in the pack")


def read_corpus(path: str | os.PathLike[str]) -> list[str]:
    """The lines of a text file, empty ones left out; PlanError names what is wrong with it."""
    lines = [line.strip() for line in read_text(path, PlanError).splitlines()]
    lines = [line for line in lines if line]
    if not lines:
        raise PlanError(
            "holds no text", where=os.fspath(path), fix="give a file with a sentence on each line"
        )
    return lines


def corpus_sample(
    pack: LanguagePack,
    lines: Iterable[str],
    words: int,
    *,
    rng: np.random.Generator,
    context: bool,
    letters: str | None = None,
    source: str = "text",
) -> WordSample:
    """Take `words` running words of a text, whole lines in random order, again from the start when it is short.

    Words the lexicon lacks (or `letters` cannot spell) are passed over but stay in the context of
    the words after them.
    """
    position = {word: i for i, word in enumerate(pack.lexicon.words)}
    model = pack.language_model
    pool = [tokens for line in lines for tokens in running_words(pack, line)]
    can = {}
    index: list[int] = []
    states: list[State] = []
    skipped = 0
    while len(index) < words:
        before = len(index)
        for line_number in rng.permutation(len(pool)):
            state = model.start()
            for word in pool[line_number]:
                at = position.get(word)
                if at is not None and letters is not None:
                    if word not in can:
                        can[word] = spell(word, letters) is not None
                    at = at if can[word] else None
                if at is None:
                    skipped += 1
                else:
                    index.append(at)
                    if context:
                        states.append(state)
                if context:
                    state = model.advance(state, word)
            if len(index) >= words:
                break
        if len(index) == before:
            raise PlanError(
                "no word of it is in the pack's lexicon",
                where=source,
                fix="check the language of the text",
            )
    return WordSample(
        np.asarray(index[:words], dtype=np.int64),
        tuple(states[:words]) if context else None,
        source,
        skipped,
    )
