"""What a word costs in keystrokes and in time: models of selection and of speed, the characteristic KSPC, multi-tap.

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
from itertools import pairwise
from typing import Literal

import numpy as np

from nearkey.decode import LanguagePack
from nearkey.decode.spelling import spell
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.columns import Floats, Ints
from nearkey.simulate.word_collisions import Collisions, SpelledLexicon, collisions, spelled_for


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
