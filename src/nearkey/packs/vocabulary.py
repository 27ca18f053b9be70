"""Which words a pack's lexicon holds; how they are written and what follows them, counted from the running text."""

from __future__ import annotations

import os
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import PackError
from nearkey.language.reading.streams import TextStream
from nearkey.language.tokens import (
    NUMBER,
    PUNCTUATION,
    Normalise,
    is_letter,
    letters_of,
    normalise_word,
    word_order,
)
from nearkey.letter_case import primary
from nearkey.packs.recipe import LexiconPart
from nearkey.packs.wordlists import SpellingWords

LARGEST_LEXICON = 65_532
"""Token ids are 16 bits wide, and four are taken."""


@dataclass(frozen=True, slots=True)
class CorpusWords:
    """For each normalised word of the running text: its mean share over the sources, count, sources."""

    share: dict[str, float]
    count: dict[str, int]
    sources: dict[str, int]


def corpus_words(
    streams: Mapping[str, TextStream], normalise: Normalise = normalise_word
) -> CorpusWords:
    """Count the words of several sources; each source weighs the same in `share`."""
    share: dict[str, float] = {}
    count: dict[str, int] = {}
    sources: dict[str, int] = {}
    for stream in streams.values():
        totals = stream.word_counts(normalise)
        size = max(1, stream.n_words) * len(streams)
        for word, n in totals.items():
            share[word] = share.get(word, 0.0) + n / size
            count[word] = count.get(word, 0) + n
            sources[word] = sources.get(word, 0) + 1
    return CorpusWords(share, count, sources)


MOST_MARKED = 0.05
"""Part of the words that may have marks which the alphabet lacks: quotations, slips."""

WITHOUT_SPACES = frozenset(
    ("THAI", "LAO", "KHMER", "MYANMAR", "TIBETAN", "CJK", "HIRAGANA", "KATAKANA")
)
LONGEST_MEAN = 12.0
"""Letters and marks a word, on the average, beyond which words of these scripts stand unparted: parted ones have
half as many (value by judgement, no source)."""


def script_of(letter: str) -> str:
    """The first word of a letter's Unicode name: LATIN, GREEK, CYRILLIC …; of a combining mark that any script may
    have, COMBINING."""
    return unicodedata.name(letter, "UNNAMED").split()[0]


def check_writing(
    counts: Mapping[str, int], alphabet: str, *, where: str | os.PathLike[str]
) -> None:
    """PackError where the words of a text cannot be made out, or not be written with the alphabet.

    counts : how often each normalised word stands in the text. alphabet : of the recipe. where : names the text.
    """
    letters = set(alphabet)
    total = marked = unparted = length = 0
    lacking: Counter[str] = Counter()
    for word, count in counts.items():
        if word == NUMBER or not letters.intersection(word):
            continue
        total += count
        marks = {char for char in word if not char.isalpha() and is_letter(char)} - letters
        if marks:
            marked += count
            lacking.update(dict.fromkeys(marks, count))
        if script_of(word[0]) in WITHOUT_SPACES:
            unparted += count
            length += count * len(word)
    if 2 * unparted > total and length > LONGEST_MEAN * unparted:
        raise PackError(
            f"its words are not parted: {length / unparted:.0f} signs a word on the average",
            where=where,
            fix="put a space or a zero-width space (U+200B) between words, as a segmenter does",
        )
    if marked > MOST_MARKED * total:
        shown = " ".join(f"\u25cc{mark}" for mark, _ in lacking.most_common(8))
        raise PackError(
            f"{marked / total:.0%} of the words are written with marks that the alphabet lacks ({shown})",
            where=where,
            field="alphabet",
            fix="add them to the alphabet, or set fold_accents where people leave them out",
        )


def choose_words(
    frequencies: Mapping[str, float],
    corpus: CorpusWords,
    spelling: SpellingWords,
    options: LexiconPart,
    *,
    alphabet: str,
    elisions: Sequence[str] = (),
    language: str = "",
) -> tuple[list[str], Counter[str], set[str]]:
    """The lexicon's words in their order, how many candidates each rule admitted or dropped, and words met by chance.

    Parameters
    ----------
    frequencies : of the list, by word. corpus : what was counted in the text. spelling : words of the
        spelling lists, all normalised.
    options : the recipe's settings. alphabet, elisions, language : the recipe's.

    A candidate is spelled with the alphabet, inner apostrophes and hyphens. It is admitted if the
    spelling lists have it (or, for a possessive in English, its noun), or if it is frequent in the frequency
    list (`unlisted_frequency`), or in the running text (`unlisted_count` times, in
    `unlisted_sources` sources); a compound with a hyphen, or with an elided word (`elisions`), needs
    `compound_count` in the running text, in two sources unless `unlisted_sources` is 1.
    Words of one letter, and of two that no spelling list has, need to be named by `always`, whose
    words are always taken. Of the other admitted words, the most frequent are taken up to `size`, by the
    mean of list and text; with `whole_lists`, words of the spelling lists that neither has fill what is left,
    shorter ones first.

    Met by chance are words that the lexicon would lack but for one occurrence in the text. In the text's place that
    occurrence is one of an unknown word: so often does new text bring new ones (the frequency of what was never seen
    is that of what was seen once: I. J. Good, Biometrika 1953). Else a dictionary whose affixes derive nearly every
    word of the text would make unknown words seem to be next to none.
    """
    if not 1 <= options.size <= LARGEST_LEXICON:
        raise PackError(
            f"size {options.size} is outside 1 … {LARGEST_LEXICON}",
            field="lexicon.size",
            fix="choose a smaller lexicon",
        )
    allowed = frozenset(alphabet)
    short = frozenset(options.always)
    excluded = frozenset(options.exclude)
    tally: Counter[str] = Counter()
    ranked: list[tuple[float, str]] = []
    listed = spelling.words if options.whole_lists else set()
    english = primary(language) == "en"

    def admission(word: str, letters: str) -> str:
        if word in short:
            return "admitted: named by the recipe"
        count = corpus.count.get(word, 0)
        if "-" in word:
            several = corpus.sources.get(word, 0) >= min(2, options.unlisted_sources)
            fit = count >= options.compound_count and several
            return "admitted: frequent compound" if fit else "dropped: rare compound"
        if len(letters) == 1:
            return "dropped: single letter"
        # Rules of affixes may elide too: such a word is read as two, and takes no place of its own for being possible.
        elided = any(word.startswith(part) and word[len(part) :] in spelling for part in elisions)
        if word in spelling.words or (not elided and word in spelling):
            return "admitted: in a spelling list"
        if english and word.endswith("'s") and word[:-2] in spelling:
            return "admitted: possessive of a listed word"
        if elided and count >= options.compound_count:
            return "admitted: elided word before a listed word"
        if len(letters) == 2:
            return "dropped: two letters, in no spelling list"
        if frequencies.get(word, 0.0) >= options.unlisted_frequency:
            return "admitted: frequent in the frequency list"
        if (
            count >= options.unlisted_count
            and corpus.sources.get(word, 0) >= options.unlisted_sources
        ):
            return "admitted: frequent in the text"
        return "dropped: in no spelling list and rare"

    for word in sorted(frequencies.keys() | corpus.count.keys() | short | listed):
        letters = letters_of(word)
        if not letters or not allowed.issuperset(letters):
            tally["dropped: not spelled with the alphabet"] += 1
            continue
        outer = word[0] in "'-" or word[-1] in "'-"
        if word in excluded or (outer and word not in short):
            tally["dropped: excluded by the recipe"] += 1
            continue
        reason = admission(word, letters)
        tally[reason] += 1
        if reason.startswith("admitted"):
            rank = -frequencies.get(word, 0.0) - corpus.share.get(word, 0.0)
            ranked.append((-1e9 if word in short else rank, word))
    ranked.sort(key=lambda item: (item[0], len(item[1]) if item[0] == 0.0 else 0, item[1]))
    words = sorted((word for _, word in ranked[: options.size]), key=word_order)
    tally["taken"] = len(words)
    if frequencies or not any(corpus.count.get(word, 0) > 1 for word in words):
        return (
            words,
            tally,
            set(),
        )  # rare words have frequencies of their own; or a list was given as text
    sure = short | listed
    chance = {word for word in words if corpus.count.get(word) == 1 and word not in sure}
    return words, tally, chance


# ---- how words are written, what follows them ----

_MIN_USES = 3
_LISTED_BONUS = 0.25
_MIN_ROW = 20
_PRIORS = (2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0)


def usual_forms(
    streams: Sequence[TextStream],
    listed_forms: Mapping[str, str],
    listed: Container[str],
    index: Mapping[str, int],
    normalise: Normalise,
) -> dict[int, tuple[str, float]]:
    """For each lexicon word usually not written in lower case: its form, and the form's share.

    streams : the texts. index : the lexicon's words to their places, spelled as `normalise` does.
    Counted within sentences, where no capital is due to the position, and outside sentences in capital
    letters. Each source's shares weigh the same, so that a large careless source does not decide. The form
    of the spelling lists (`listed_forms` where it is not lower case, else that of a `listed` word) gets a
    bonus, and is taken where the text says too little.
    """
    shares: dict[int, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    n_sources: Counter[int] = Counter()
    for stream in streams:
        uses: defaultdict[int, Counter[str]] = defaultdict(Counter)
        for form, count in _inner_forms(stream):
            at = index.get(normalise(form))
            if at is not None:
                uses[at][form] += count
        for at, forms in uses.items():
            total = forms.total()
            if total >= _MIN_USES:
                n_sources[at] += 1
                for form, count in forms.items():
                    shares[at][form] += count / total
    found: dict[int, tuple[str, float]] = {}
    for word, at in index.items():
        candidates = {form: share / n_sources[at] for form, share in shares.get(at, {}).items()}
        usual = listed_forms.get(word) or (word if word in listed else None)
        if usual is not None:
            candidates[usual] = candidates.get(usual, 0.0) + _LISTED_BONUS
        if not candidates:
            continue
        best = min(candidates, key=lambda form: (-candidates[form], form))
        if best != word:
            share = candidates[best] if n_sources[at] else 1.0
            found[at] = (best, min(1.0, share))
    return found


def _inner_forms(stream: TextStream) -> list[tuple[str, int]]:
    """Forms and counts of the words within sentences."""
    size = stream.n_words
    inner = np.ones(size, dtype=bool)
    inner[stream.starts[:-1]] = False
    after_stop = np.isin(stream.punctuation[:-1], [PUNCTUATION.index(mark) for mark in ".?!:"])
    inner[1:] &= ~after_stop
    capital = np.array([len(s) > 1 and s.isupper() for s in stream.surfaces], dtype=bool)
    spelled = np.array([s[:1].isalpha() for s in stream.surfaces], dtype=bool)
    loud = np.add.reduceat(capital[stream.ids].astype(np.int64), stream.starts[:-1])
    words = np.add.reduceat(spelled[stream.ids].astype(np.int64), stream.starts[:-1])
    shouted = loud > 0.5 * words
    inner &= ~np.repeat(shouted, np.diff(stream.starts))
    counts = np.bincount(stream.ids[inner], minlength=len(stream.surfaces))
    return [
        (stream.surfaces[i].replace("\u2019", "'"), int(counts[i])) for i in np.flatnonzero(counts)
    ]


def count_punctuation(
    streams: Sequence[TextStream],
    index: Mapping[str, int],
    normalise: Normalise,
    *,
    held_out: float,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]:
    """(average row, words with a row of their own, their rows) of P(mark | word).

    Parameters as of `usual_forms`. A row is ``(count + K * average) / (total + K)``, with the K of a small
    set that gives held-out sentences (a fraction `held_out` of all) the highest likelihood.
    """
    n_symbols = len(PUNCTUATION)
    counts = np.zeros((2, len(index), n_symbols))  # of the rest, of what is held out
    for stream in streams:
        of_surface = np.array([index.get(normalise(s), -1) for s in stream.surfaces], np.int64)
        held = np.repeat(stream.in_part(held_out), np.diff(stream.starts))
        word = of_surface[stream.ids]
        use = (stream.punctuation < n_symbols) & (word >= 0)
        cells = (held * len(index) + word)[use] * n_symbols + stream.punctuation[use]
        counts += np.bincount(cells, minlength=counts.size).reshape(counts.shape)
    train, test = counts
    average = (train.sum(axis=0) + 1.0) / (train.sum() + n_symbols)
    best = max(
        _PRIORS, key=lambda prior: float(np.sum(test * np.log(_smoothed(train, average, prior))))
    )
    both = train + test
    average = (both.sum(axis=0) + 1.0) / (both.sum() + n_symbols)
    rows = np.flatnonzero(both.sum(axis=1) >= _MIN_ROW)
    return average, rows, _smoothed(both[rows], average, best)


def _smoothed(
    table: NDArray[np.float64], average: NDArray[np.float64], prior: float
) -> NDArray[np.float64]:
    totals: NDArray[np.float64] = table.sum(axis=1, keepdims=True)
    return (table + prior * average) / (totals + prior)
