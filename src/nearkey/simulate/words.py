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

__all__ = [
    "DRAWN",
    "WordSample",
    "corpus_sample",
    "count_different",
    "read_corpus",
    "typed_over",
    "unigram_sample",
]

DRAWN = "words drawn by their probability in the pack"
"""The source of words that no text gives."""


@dataclass(frozen=True, slots=True)
class WordSample:
    """Words to type, each with the language model's state before it.

    index : (n,) int64, positions in the pack's lexicon.
    states : the state before each word, or None for words without context.
    source : where they come from, for reports; says so where a short text was typed over.
    skipped : running words left out because the lexicon lacks them.
    origin : (n,) int64, which running word of the text each is, where some are typed more than once; else None.
    """

    index: NDArray[np.int64]
    states: tuple[State, ...] | None
    source: str
    skipped: int = 0
    origin: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.index)

    def part(self, start: int, stop: int) -> WordSample:
        """The words from `start` up to `stop`."""
        states = None if self.states is None else self.states[start:stop]
        origin = None if self.origin is None else self.origin[start:stop]
        return WordSample(self.index[start:stop], states, self.source, self.skipped, origin)

    def different(self, first: int) -> int | None:
        """Different running words among so many first ones; None where no word is typed twice."""
        return count_different(None if self.origin is None else self.origin[:first])


def count_different(
    origin: NDArray[np.int64] | None, members: NDArray[np.bool_] | None = None
) -> int | None:
    """Different running words among the words marked in `members` (n,); None where all differ."""
    if origin is None:
        return None
    return len(np.unique(origin if members is None else origin[members]))


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
    return WordSample(index, None, DRAWN)


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
    the words after them. Where the text is short, `source` and `origin` of the sample say so.
    """
    position = {word: i for i, word in enumerate(pack.lexicon.words)}
    model = pack.language_model
    pool = [tokens for line in lines for tokens in running_words(pack, line)]
    first = np.cumsum([0, *map(len, pool)]).tolist()
    origin: list[int] = []
    can = {}
    index: list[int] = []
    states: list[State] = []
    skipped = 0
    whole = 0  # words in one pass over the text
    while len(index) < words:
        before = len(index)
        for line_number in rng.permutation(len(pool)):
            state = model.start()
            for place, word in enumerate(pool[line_number], start=first[line_number]):
                at = position.get(word)
                if at is not None and letters is not None:
                    if word not in can:
                        can[word] = spell(word, letters) is not None
                    at = at if can[word] else None
                if at is None:
                    skipped += 1
                else:
                    index.append(at)
                    origin.append(place)
                    if context:
                        states.append(state)
                if context:
                    state = model.advance(state, word)
            if len(index) >= words:
                break
        whole = whole or len(index)
        if len(index) == before:
            raise PlanError(
                "no word of it is in the pack's lexicon",
                where=source,
                fix="check the language of the text",
            )
    return WordSample(
        np.asarray(index[:words], dtype=np.int64),
        tuple(states[:words]) if context else None,
        typed_over(source, words, whole),
        skipped,
        np.asarray(origin[:words], dtype=np.int64) if whole < words else None,
    )


def typed_over(source: str, words: int, whole: int) -> str:
    """What the words are, with a caution where a text of `whole` words had to be typed again."""
    if whole >= words:
        return source
    times = words / whole
    often = f"{times:.1f}" if times >= 1.05 else f"{times:.2f}"
    return f"{source}, typed {often} times over, with intervals for its {whole:,} words"
