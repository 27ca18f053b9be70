"""What a word costs in keystrokes and in time: words that share a key sequence, models of selection and of speed, the
characteristic KSPC, multi-tap.

KSPC = sum(K_w F_w) / sum(C_w F_w), the space after each word counted in both (MacKenzie, "KSPC as a
characteristic of text entry techniques", MobileHCI 2002). The characteristic KSPC is a property of a layout and a
pack: touches perfect, over the whole lexicon. The measured KSPC (`kspc` of rankings and scores) is the same ratio over
the words of a run as they were typed, corrections by the model of selection included.

Entry speed is predicted of movement, looking at the candidates and selecting: a prediction for ranking layouts before
hardware exists; no substitute for a study.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import LanguagePack
from nearkey.decode.spelling import spell, spell_words
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


@dataclass(frozen=True, slots=True)
class Selection:
    """How a person picks a candidate, in keystrokes.

    style : "next": each press of a next key moves one candidate down the list, and the space that
        follows accepts (MacKenzie 2002). "tap": one tap on a candidate accepts it and brings the
        space; the first candidate costs the space alone.
    k : candidates shown. A word beyond them is a miss.
    error : share of choices that take a wrong candidate; each is noticed, deleted with a press, and made again, until
        it is right. 0 by default.

    A miss costs one press that deletes the word, then letter-by-letter entry with touches as noisy
    as before (`Typist.spelled_keystrokes`), then the space.
    """

    style: Literal["next", "tap"] = "next"
    k: int = 5
    error: float = 0.0

    def __post_init__(self) -> None:
        if self.style not in ("next", "tap"):
            raise PlanError(
                f"{self.style!r} is not known", field="selection.style", fix='write "next" or "tap"'
            )
        if self.k < 1:
            raise PlanError(f"{self.k} candidates shown", field="selection.k", fix="show 1 or more")
        if not 0 <= self.error < 1:
            raise PlanError(
                f"is {self.error:g}", field="selection.error", fix="give a share from 0, below 1"
            )

    def keystrokes(self, n_touches: Ints, rank: Ints, spelled: Floats) -> Floats:
        """Keystrokes of each word, (n,).

        n_touches : touches that type the word; rank : its place among the candidates from 1, 0 where
        the decoder did not find it; spelled : keystrokes of letter-by-letter entry without the space.
        """
        hit = (rank >= 1) & (rank <= self.k)
        steps = np.maximum(rank - 1, 0) if self.style == "next" else np.zeros_like(rank)
        # A choice succeeds after 1 / (1 - error) tries in expectation, a press of delete after each but the last.
        tries = 1.0 / (1.0 - self.error)
        chosen = n_touches + (steps + 1) * tries + (tries - 1.0)
        return np.where(hit, chosen, n_touches + 1 + spelled + 1).astype(np.float64)


def multi_tap_presses(word: str, layout: Layout, *, time_out_key: bool = False) -> int | None:
    """Presses of one word under multi-tap: a letter takes as many presses as its place on its key.

    time_out_key : also count a press that ends a letter when the next one stands on the same key; a key with
        one letter needs none.
    Returns None where the layout cannot type the word. The space is not counted.
    """
    typed = spell(word, layout.letters)
    if typed is None:
        return None
    key = layout.key_of_letter
    presses = sum(layout.keys[key[c]].letters.index(c) + 1 for c in typed)
    if time_out_key:
        presses += sum(
            key[a] == key[b] and len(layout.keys[key[a]].letters) > 1 for a, b in pairwise(typed)
        )
    return presses


def multi_tap_kspc(
    layout: Layout,
    pack: LanguagePack,
    *,
    time_out_key: bool = True,
    spelled: SpelledLexicon | None = None,
) -> float:
    """Characteristic KSPC of multi-tap over the pack's words, space included (MacKenzie 2002).

    time_out_key : as of `multi_tap_presses`. spelled : as of `collisions`.
    """
    lexicon = spelled_for(layout, pack, spelled)
    key = layout.key_of_letter
    place = [0, *(layout.keys[key[c]].letters.index(c) + 1 for c in lexicon.letters)]
    presses = np.asarray(place)[lexicon.typed].sum(axis=1)
    if time_out_key:
        keys = lexicon.keys(layout)
        several = np.asarray([False, *(len(k.letters) > 1 for k in layout.keys)])
        presses += ((keys[:, 1:] == keys[:, :-1]) & several[keys[:, 1:]]).sum(axis=1)
    return _weighted(lexicon, presses)


def characteristic_kspc(
    layout: Layout,
    pack: LanguagePack,
    *,
    found: Collisions | None = None,
    spelled: SpelledLexicon | None = None,
) -> float:
    """Characteristic KSPC of dictionary-based disambiguation: touches perfect (MacKenzie 2002).

    A word takes a touch a letter, a press of next for each more probable word on the same keys, and the space.
    found : the collisions of the two, where they are known already. spelled : as of `collisions`.
    """
    lexicon = spelled_for(layout, pack, spelled)
    rank = (found or collisions(layout, pack, spelled=lexicon)).rank
    return _weighted(lexicon, lexicon.lengths + rank[lexicon.word] - 1)


def _weighted(lexicon: SpelledLexicon, presses: Ints) -> float:
    """KSPC of words with these presses, the space after each not yet counted."""
    return float(((presses + 1) * lexicon.share).sum() / (lexicon.characters * lexicon.share).sum())


_SQRT_2_PI_E = math.sqrt(2.0 * math.pi * math.e)


def finger_fitts_time(
    distance_mm: Floats | float,
    sigma_mm: Floats | float,
    *,
    a_s: float,
    b_s: float,
    sigma_a_mm: float,
) -> Floats:
    """Movement time of a finger, T = a + b log2(A / sqrt(2 pi e (sigma^2 - sigma_a^2)) + 1), seconds.

    distance_mm : A, between the targets. sigma_mm : spread of the endpoints. sigma_a_mm : the finger's
    absolute precision. Source: Bi, Li & Zhai, "FFitts law", CHI 2013, 1363-1372 (equation from memory).
    Endpoints no wider than the absolute precision leave no room for speed; sigma is then taken 10 % above it.
    """
    variance = np.maximum(np.square(sigma_mm) - sigma_a_mm**2, 0.21 * sigma_a_mm**2 + 1e-12)
    width = _SQRT_2_PI_E * np.sqrt(variance)
    return np.asarray(a_s + b_s * np.log2(np.asarray(distance_mm) / width + 1.0))


@dataclass(frozen=True, slots=True)
class Speed:
    """Constants of the prediction.

    No published value of these was verified for such surfaces: the defaults are plausible figures
    (common practice, no source), the same for every layout, so compare layouts by them and do not
    quote the speed itself. Set your own from a pilot.

    a_s, b_s : intercept and slope of the finger's law; sigma_a_mm : its absolute precision.
    scan_s : a look at the list, for each candidate read up to the wanted one; keystroke_s : a press of next,
    space or delete; start_s : before a word's first touch.
    """

    a_s: float = 0.10
    b_s: float = 0.12
    sigma_a_mm: float = 1.0
    scan_s: float = 0.25
    keystroke_s: float = 0.30
    start_s: float = 0.20

    def __post_init__(self) -> None:
        for name in ("a_s", "b_s", "sigma_a_mm", "scan_s", "keystroke_s", "start_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise PlanError(
                    f"{value} is not a time or length", field=f"speed.{name}", fix="give 0 or more"
                )

    def words_s(
        self,
        movement_s: Floats,
        n_touches: Ints,
        keystrokes: Floats,
        rank: Ints,
        k: int,
    ) -> Floats:
        """Seconds each word takes, (n,), given the movement times of its touches.

        Keystrokes beyond the touches take `keystroke_s` each; a word not found is looked for
        through the whole list.
        """
        looked = np.where((rank >= 1) & (rank <= k), rank, k)
        return (
            self.start_s
            + movement_s
            + self.scan_s * looked
            + self.keystroke_s * (keystrokes - n_touches)
        )
