"""What is typed: words with the text before them, drawn from a pack or taken from running text.

Text comes from files, nltk corpora and hub data sets, as lines; nothing of a corpus is kept anywhere. Mind that some
text is private, and that text a pack was trained on flatters the pack: `Corpus.trained` says which, and results repeat
it.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey._kernel import MAX_LETTERS
from nearkey.decode import LanguagePack, State
from nearkey.decode.spelling import spell, spell_words
from nearkey.errors import PackError, PlanError
from nearkey.language.reading.corpus import read_corpus
from nearkey.language.reading.streams import read_stream, split_stream
from nearkey.language.tokens import NUMBER, joins_marks, sentences
from nearkey.letter_case import lower
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.columns import Ints, select_rows

LONGEST_REPEAT = 4  # words of a sentence that the pack builder counts every time it occurs
_BLOCK = 4096  # lines looked at together for held-out sentences


@dataclass(frozen=True, slots=True)
class Corpus:
    """Lines of running text.

    name : for reports. lines : one sentence or utterance each, not empty.
    trained : whether the pack's estimation saw this text; None where that is not known.
    """

    name: str
    lines: Sequence[str]
    trained: bool | None = None

    @classmethod
    def of(cls, name: str, lines: Iterable[str], *, trained: bool | None = None) -> Corpus:
        """A corpus of lines in memory; empty lines are left out. PlanError where none is left."""
        kept = tuple(line for line in (one.strip() for one in lines) if line)
        if not kept:
            raise PlanError(
                "holds no text", where=name, fix="give a file with a sentence on each line"
            )
        return cls(name, kept, trained)


CorpusSource = Any
"""What is taken as running text: a `Corpus`, what `read_source` takes, or a sequence of lines."""


def as_corpus(source: CorpusSource) -> Corpus:
    """Running text from whatever a caller gave. Raises what `Corpus.of` and `read_source` raise."""
    if isinstance(source, Corpus):
        return source
    if isinstance(source, list | tuple):
        return Corpus.of("text", source)
    return read_source(source)


def read_source(
    source: Any,
    *,
    column: str = "text",
    split: str = "test",
    encoding: str = "utf-8",
    trained: bool | None = None,
) -> Corpus:
    """Read a corpus.

    Parameters
    ----------
    source : a file, a folder, "nltk:NAME", "hub:NAME@SPLIT", a data set, a table or a reader of nltk's: see
        `nearkey.language.reading.corpus.read_corpus`.
    column : the field or column of the text, where the format has such.
    split : of a hub data set whose name says none.
    encoding : of text files.
    trained : see `Corpus`.

    Raises PlanError naming the source and what to do; NearkeyError where a library is missing.
    """
    named = os.fspath(source) if isinstance(source, str | os.PathLike) else type(source).__name__
    try:
        title, lines = read_corpus(source, column=column, split=split, encoding=encoding)
        return Corpus.of(title, lines, trained=trained)
    except PackError as fault:
        where = fault.where if Path(named).is_dir() else named
        raise PlanError(fault.problem, where=where, field=fault.field, fix=fault.fix) from fault
    except PlanError as fault:
        raise fault.at(named) from None


def held_out_part(
    corpus: Corpus, *, fraction: float, words: int | None = None, seed: int = 0
) -> Corpus:
    """The sentences of a corpus that a pack built with `held_out_permille` kept out of its counts.

    They are told by their text alone, by the rule of the pack builder. Some of them, where the corpus is
    a source of the pack, decided how much each source weighs; no n-gram was counted from them.
    fraction : of the sentences, as of the recipe: `held_out_permille` / 1000.
    words : enough once there are so many; lines are then looked at in `seed`'s random order.
    """
    order = np.arange(len(corpus.lines))
    if words is not None:
        np.random.default_rng(seed).shuffle(order)
    lines: list[str] = []
    seen: set[str] = set()
    found = 0
    for start in range(0, len(order), _BLOCK):
        block = read_stream(corpus.lines[i] for i in order[start : start + _BLOCK].tolist())
        _, held = split_stream(block, held_out=fraction)
        for a, b in pairwise(held.starts.tolist()):
            text = " ".join(held.surfaces[i] for i in held.ids[a:b].tolist())
            # Short sentences are as frequent as they are; longer ones are kept once, as the builder does.
            if b - a > LONGEST_REPEAT and text in seen:
                continue
            seen.add(text)
            lines.append(text)
            found += b - a
        if words is not None and found >= words:
            break
    name = f"{corpus.name}, held-out part"
    return Corpus.of(name, lines, trained=False)


CHUNK_WORDS = 1_000
"""Words of one unit of work: fixes the random numbers of each word, whatever the number of workers."""

DRAWN = "words drawn by their probability in the pack"
"""The source of words that no text gives."""


@dataclass(frozen=True)
class Workload:
    """Words to type. Those the pack's lexicon lacks are typed too, as people type them.

    vocabulary : the different words. word : (n,) int64, positions in it.
    index : (n,) int64, positions in the pack's lexicon, -1 for words it lacks.
    contexts : the text before each word back to the start of its sentence, or None.
    states : the language model's state for the same, or None.
    source : what the words are, for reports; says so where a short text was typed over. trained : see `Corpus`.
    skipped : running words left out because the letters cannot spell them.
    origin : (n,) int64, which running word of the text each is, where some are typed more than once; else None.
    line : (n,) int64, which line of the text each is of; None for words that no text gives.
    """

    vocabulary: tuple[str, ...]
    word: Ints
    index: Ints
    contexts: tuple[str, ...] | None
    states: tuple[State, ...] | None
    source: str
    trained: bool | None = None
    skipped: int = 0
    origin: Ints | None = None
    line: Ints | None = None

    def __len__(self) -> int:
        return len(self.word)

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Which words the lexicon has, (n,)."""
        return self.index >= 0

    @cached_property
    def characters(self) -> Ints:
        """Characters of each word, without the space, (n,)."""
        lengths = np.fromiter(map(len, self.vocabulary), np.int64, len(self.vocabulary))
        return lengths[self.word]

    def text(self, i: int) -> str:
        """The i-th word."""
        return self.vocabulary[int(self.word[i])]

    def texts(self) -> list[str]:
        """All words in order."""
        return [self.vocabulary[i] for i in self.word.tolist()]

    def part(self, start: int, stop: int) -> Workload:
        """The words from `start` up to `stop`."""
        return select_rows(self, slice(start, stop), keep=("vocabulary",))

    @property
    def n_chunks(self) -> int:
        """Units of work, of `CHUNK_WORDS` words each; the last may be shorter."""
        return -(-len(self) // CHUNK_WORDS)

    def chunk(self, number: int) -> Workload:
        """The words of a unit of work, counted from 0."""
        return self.part(number * CHUNK_WORDS, (number + 1) * CHUNK_WORDS)

    def different(self, first: int) -> int | None:
        """Different running words among so many first ones; None where no word is typed twice."""
        return count_different(None if self.origin is None else self.origin[:first])


def count_different(origin: Ints | None, members: NDArray[np.bool_] | None = None) -> int | None:
    """Different running words among those marked in `members` (n,), all of them without it; None where all differ.

    origin : as of `Workload`.
    """
    if origin is None:
        return None
    return len(np.unique(origin if members is None else origin[members]))


def running_words(pack: LanguagePack, line: str) -> list[list[str]]:
    """The sentences of a line as lower-case words; a hyphenated word the lexicon lacks is read as its parts."""
    found = []
    alphabet = getattr(pack, "alphabet", "")
    language = getattr(pack.lexicon, "language", "")
    for sentence in sentences([line], combining=bool(alphabet) and joins_marks(alphabet)):
        words: list[str] = []
        for word in sentence.words:
            plain = lower(word, language)
            if "-" in plain and plain not in pack.lexicon:
                words.extend(part for part in plain.split("-") if part)
            else:
                words.append(plain)
        found.append(words)
    return found


def make_workload(
    pack: LanguagePack,
    corpus: Corpus | None,
    *,
    words: int,
    seed: Seed,
    letters: str,
    in_context: bool = False,
    known_only: bool = False,
) -> Workload:
    """The words of a seed.

    Parameters
    ----------
    pack : lexicon and language model.
    corpus : running text, whole lines in random order, again from the start where it is short; None draws
        words by their probability in the pack.
    words : how many. seed : of their choice.
    letters : only words that these can spell; others, and numbers, are passed over, yet stay in the context
        of the words after them (a number as "0").
    in_context : keep the text before each word, and the language model's state for it.
    known_only : also pass over words the lexicon lacks.

    Raises PlanError where no word can be typed.
    """
    seed = seed_number(seed)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(0,)))
    if corpus is None:
        return _drawn(pack, words, rng, letters)
    return _taken(pack, corpus, words, rng, letters, in_context, known_only)


def _drawn(pack: LanguagePack, words: int, rng: np.random.Generator, letters: str) -> Workload:
    lexicon = pack.lexicon.words
    probability = np.exp(np.asarray(pack.lexicon.log_probs, dtype=np.float64))
    probability[spell_words(lexicon, letters).untypeable] = 0.0
    total = probability.sum()
    if not total > 0:
        raise PlanError(
            "no word of the pack can be typed", field="layouts", fix="check the letters on the keys"
        )
    index = rng.choice(len(probability), size=words, p=probability / total)
    different, word = np.unique(index, return_inverse=True)
    vocabulary = tuple(lexicon[int(i)] for i in different)
    return Workload(vocabulary, word.astype(np.int64), index, None, None, DRAWN)


def _taken(
    pack: LanguagePack,
    corpus: Corpus,
    words: int,
    rng: np.random.Generator,
    letters: str,
    in_context: bool,
    known_only: bool,
) -> Workload:
    position = {word: i for i, word in enumerate(pack.lexicon.words)}
    model = pack.language_model
    places: dict[str, int | None] = {}
    vocabulary: list[str] = []
    word: list[int] = []
    contexts: list[str] = []
    states: list[State] = []
    origin: list[tuple[int, int, int]] = []
    skipped = whole = 0  # whole: words in one pass over the text
    while len(word) < words:
        before = len(word)
        for number, which, sentence in _sentences(pack, corpus, rng):
            state, read = model.start() if in_context else None, 0
            for i, token in enumerate(sentence):
                if token not in places:
                    typed = _typeable(token, letters) and not (known_only and token not in position)
                    places[token] = len(vocabulary) if typed else None
                    vocabulary.extend([token] * typed)
                place = places[token]
                if place is None:
                    skipped += 1
                    continue
                word.append(place)
                origin.append((number, which, i))
                if in_context:
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
    index = np.fromiter((position.get(w, -1) for w in vocabulary), np.int64, len(vocabulary))
    return Workload(
        tuple(vocabulary),
        taken,
        index[taken],
        tuple(contexts[:words]) if in_context else None,
        tuple(states[:words]) if in_context else None,
        _typed_over(corpus.name, words, whole),
        corpus.trained,
        skipped,
        _numbered(origin[:words]) if whole < words else None,
        np.array([number for number, _, _ in origin[:words]], dtype=np.int64),
    )


def _sentences(
    pack: LanguagePack, corpus: Corpus, rng: np.random.Generator
) -> Iterator[tuple[int, int, list[str]]]:
    """One pass over a text, whole lines in random order: line, sentence of the line, words."""
    for number in rng.permutation(len(corpus.lines)).tolist():
        for which, sentence in enumerate(running_words(pack, corpus.lines[number])):
            yield number, which, sentence


def _typeable(token: str, letters: str) -> bool:
    typed = None if token == NUMBER else spell(token, letters)
    return typed is not None and len(typed) <= MAX_LETTERS


def _numbered(places: Sequence[tuple[int, int, int]]) -> Ints:
    """A number for each different place, (n,)."""
    number: dict[tuple[int, int, int], int] = {}
    return np.fromiter(
        (number.setdefault(place, len(number)) for place in places), np.int64, len(places)
    )


def _text(tokens: Sequence[str]) -> str:
    return " ".join("0" if token == NUMBER else token for token in tokens)


def _typed_over(source: str, words: int, whole: int) -> str:
    """What the words are, with a caution where a text of `whole` words had to be typed again."""
    if whole >= words:
        return source
    times = words / whole
    often = f"{times:.1f}" if times >= 1.05 else f"{times:.2f}"
    return f"{source}, typed {often} times over, with intervals for its {whole:,} words"
