"""What a benchmark types: words with their context, those the lexicon lacks included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack, State
from nearkey.decode.spelling import spell
from nearkey.errors import PlanError
from nearkey.language.tokens import NUMBER
from nearkey.simulate.corpora import Corpus
from nearkey.simulate.text import running_words
from nearkey.simulate.words import typed_over, unigram_sample

__all__ = ["Workload", "corpus_workload", "drawn_workload"]


@dataclass(frozen=True)
class Workload:
    """Words to type.

    vocabulary : the different words. word : (n,) int64, positions in it.
    lexicon : the pack's words. index : (n,) int64, positions in it, -1 for words it lacks.
    contexts : the text before each word back to the start of its sentence, or None.
    states : the language model's state for the same, or None.
    source : what the words are, for reports; says so where a short text was typed over. trained : see `Corpus`.
    skipped : running words left out because the letters cannot spell them.
    origin : (n,) int64, which running word of the text each is, where some are typed more than once; else None.
    """

    vocabulary: tuple[str, ...]
    word: NDArray[np.int64]
    lexicon: Sequence[str]
    index: NDArray[np.int64]
    contexts: tuple[str, ...] | None
    states: tuple[State, ...] | None
    source: str
    trained: bool | None = None
    skipped: int = 0
    origin: NDArray[np.int64] | None = None

    def __len__(self) -> int:
        return len(self.word)

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Which words the lexicon has, (n,)."""
        return self.index >= 0

    @cached_property
    def characters(self) -> NDArray[np.int64]:
        """Characters of each word, without the space, (n,)."""
        return self._lengths[self.word]

    @cached_property
    def _lengths(self) -> NDArray[np.int64]:
        return np.fromiter(map(len, self.vocabulary), np.int64, len(self.vocabulary))

    def text(self, i: int) -> str:
        """The i-th word."""
        return self.vocabulary[int(self.word[i])]

    def head(self, words: int) -> Workload:
        """The first so many words."""
        return self.part(0, words)

    def part(self, start: int, stop: int) -> Workload:
        """The words from `start` up to `stop`."""
        return Workload(
            self.vocabulary,
            self.word[start:stop],
            self.lexicon,
            self.index[start:stop],
            None if self.contexts is None else self.contexts[start:stop],
            None if self.states is None else self.states[start:stop],
            self.source,
            self.trained,
            self.skipped,
            None if self.origin is None else self.origin[start:stop],
        )


def drawn_workload(
    pack: LanguagePack, words: int, *, rng: np.random.Generator, letters: str | None = None
) -> Workload:
    """Words drawn by their probability in the pack, without context; all are in its lexicon."""
    sample = unigram_sample(pack, words, rng=rng, letters=letters)
    different, word = np.unique(sample.index, return_inverse=True)
    lexicon = pack.lexicon.words
    return Workload(
        tuple(lexicon[int(i)] for i in different),
        word.astype(np.int64),
        lexicon,
        sample.index,
        None,
        None,
        sample.source,
    )


def corpus_workload(
    pack: LanguagePack,
    corpus: Corpus,
    words: int,
    *,
    rng: np.random.Generator,
    letters: str,
    context: bool,
) -> Workload:
    """`words` running words of a corpus, whole lines in random order; again from the start when it is short.

    Numbers, addresses and words that `letters` cannot spell are passed over, yet stay in the context of
    the words after them (a number as "0"). Where the text is short, `source` and `origin` say so.
    """
    position = {word: i for i, word in enumerate(pack.lexicon.words)}
    model = pack.language_model
    places: dict[str, int | None] = {}
    vocabulary: list[str] = []
    word: list[int] = []
    contexts: list[str] = []
    states: list[State] = []
    skipped = whole = 0
    origin: list[tuple[int, int, int]] = []
    while len(word) < words:
        before = len(word)
        for number in rng.permutation(len(corpus.lines)):
            for which, sentence in enumerate(running_words(pack, corpus.lines[number])):
                state, read = model.start() if context else None, 0
                for i, token in enumerate(sentence):
                    if token not in places:
                        places[token] = _place(token, letters, vocabulary)
                    place = places[token]
                    if place is None:
                        skipped += 1
                        continue
                    word.append(place)
                    origin.append((number, which, i))
                    if context:
                        for passed in sentence[read:i]:
                            state = model.advance(state, passed)
                        read = i
                        contexts.append(_text(sentence[:i]))
                        states.append(state)
            if len(word) >= words:
                break
        whole = whole or len(word)
        if len(word) == before:
            raise PlanError(
                "no word of it can be typed on the layout",
                where=corpus.name,
                fix="check the language of the text and the letters on the keys",
            )
    taken = np.asarray(word[:words], dtype=np.int64)
    in_lexicon = np.fromiter((position.get(w, -1) for w in vocabulary), np.int64, len(vocabulary))
    return Workload(
        tuple(vocabulary),
        taken,
        pack.lexicon.words,
        in_lexicon[taken],
        tuple(contexts[:words]) if context else None,
        tuple(states[:words]) if context else None,
        typed_over(corpus.name, words, whole),
        corpus.trained,
        skipped,
        _numbered(origin[:words]) if whole < words else None,
    )


def _place(token: str, letters: str, vocabulary: list[str]) -> int | None:
    """The word's position in the vocabulary, where it goes now; None for what cannot be typed."""
    if token == NUMBER or spell(token, letters) is None:
        return None
    vocabulary.append(token)
    return len(vocabulary) - 1


def _numbered(places: Sequence[tuple[int, int, int]]) -> NDArray[np.int64]:
    """A number for each different place, (n,)."""
    number: dict[tuple[int, int, int], int] = {}
    return np.fromiter(
        (number.setdefault(place, len(number)) for place in places), np.int64, len(places)
    )


def _text(tokens: Sequence[str]) -> str:
    return " ".join("0" if token == NUMBER else token for token in tokens)
