"""How ambiguous a letter assignment is before any noise: words that share a key sequence."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack
from nearkey.decode.spelling import spell_words
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.columns import Floats, Ints


@dataclass(frozen=True, slots=True)
class Collisions:
    """Exact measures over the whole lexicon, weighted by word probability; touches are perfect.

    rate : share of word tokens that a more probable word with the same keys beats to first place.
    shared : share of word tokens with any other word on the same keys.
    rank : (n_words,) int64, place of each word among the words of its keys by probability, from 1;
        0 for words the layout cannot type.
    top : share of word tokens within the first 1, 3 and 5 places.
    """

    rate: float
    shared: float
    rank: Ints
    top: dict[int, float]


@dataclass(frozen=True)
class SpelledLexicon:
    """The words of a pack that some letters can type: the same for all layouts that have these letters.

    letters : in order. word : (m,) positions in the lexicon, the most probable word first, equals in its order.
    typed : (m, longest) uint8, each word's letters as 1 + their place in `letters`, then 0. A word that can be typed
        in two ways is typed in the first.
    share : (m,) probability among these words. characters : (m,) of each word, its space included.
    """

    letters: str
    n_words: int
    word: Ints
    typed: NDArray[np.uint8]
    share: Floats
    characters: Floats

    @classmethod
    def of(cls, pack: LanguagePack, letters: str) -> Self:
        """Spell a pack's words with these letters, in any order."""
        letters, words = "".join(sorted(letters)), pack.lexicon.words
        spelling = spell_words(words, letters)
        word, first = np.unique(spelling.word.astype(np.int64), return_index=True)
        probability = np.exp(np.asarray(pack.lexicon.log_probs, dtype=np.float64))[word]
        order = np.argsort(-probability, kind="stable")
        word, first, probability = word[order], first[order], probability[order]
        starts = spelling.offsets.astype(np.int64)[first]
        lengths = spelling.offsets.astype(np.int64)[first + 1] - starts
        place = np.arange(int(lengths.max(initial=0)))
        inside = place < lengths[:, None]
        typed = np.zeros(inside.shape, np.uint8)
        typed[inside] = spelling.letters[(starts[:, None] + place)[inside]] + 1
        total = probability.sum()
        share = probability / total if total > 0 else np.zeros(len(word))
        characters = np.fromiter((len(words[i]) + 1 for i in word.tolist()), float, len(word))
        return cls(letters, len(pack.lexicon), word, typed, share, characters)

    @cached_property
    def lengths(self) -> Ints:
        """Letters of each word, (m,)."""
        return np.asarray((self.typed > 0).sum(axis=1))

    def letter_shares(self) -> dict[str, float]:
        """How often each letter is typed, a word, in the mean."""
        return {
            letter: float(self.share @ (self.typed == i + 1).sum(axis=1))
            for i, letter in enumerate(self.letters)
        }

    def keys(self, layout: Layout) -> NDArray[np.uint8]:
        """The keys that type each word, as `typed`: 1 + the key's number, then 0."""
        number = [0, *(layout.key_of_letter[letter] + 1 for letter in self.letters)]
        return np.asarray(number, dtype=np.uint8)[self.typed]


def spelled_for(
    layout: Layout, pack: LanguagePack, spelled: SpelledLexicon | None = None
) -> SpelledLexicon:
    """The pack's words in the letters of a layout: `spelled`, where it is of these letters, else made anew."""
    letters = "".join(sorted(layout.letters))
    if spelled is None or spelled.letters != letters:
        spelled = SpelledLexicon.of(pack, letters)
    if len(spelled.word) == 0:
        raise PlanError(
            "no word of the pack can be typed",
            where=layout.name,
            fix="check the letters on the keys",
        )
    return spelled


def collisions(
    layout: Layout, pack: LanguagePack, *, spelled: SpelledLexicon | None = None
) -> Collisions:
    """Collision measures of a layout under a pack's lexicon and word probabilities.

    Words of equal probability are placed in the lexicon's order.
    spelled : the pack's words in the layout's letters, where they are known already.
    Raises PlanError where no word can be typed.
    """
    lexicon = spelled_for(layout, pack, spelled)
    keys = lexicon.keys(layout)
    # As many keys as fit into 64 bits make one number, so that sorting compares numbers.
    bits = max(1, int(keys.max()).bit_length())
    each = 64 // bits
    numbers = []
    for start in range(0, keys.shape[1], each):
        part = keys[:, start : start + each].astype(np.uint64)
        numbers.append(part @ (np.uint64(1) << np.arange(part.shape[1], dtype=np.uint64) * bits))
    order = np.lexsort(numbers)  # stable: the most probable of a group stays first
    first = np.ones(len(order), dtype=bool)
    first[1:] = np.any([number[order][1:] != number[order][:-1] for number in numbers], axis=0)
    starts = np.flatnonzero(first)
    run = np.diff(np.append(starts, len(order)))
    place = np.arange(len(order)) - np.repeat(starts, run) + 1
    rank = np.zeros(lexicon.n_words, dtype=np.int64)
    rank[lexicon.word[order]] = place
    share = lexicon.share[order]
    top = {k: float(share[place <= k].sum()) for k in (1, 3, 5)}
    return Collisions(1.0 - top[1], float(share[np.repeat(run > 1, run)].sum()), rank, top)
