"""Keystrokes a word costs: the model of selection, the characteristic KSPC, and multi-tap for comparison.

KSPC = sum(K_w F_w) / sum(C_w F_w), the space after each word counted in both (MacKenzie, "KSPC as a
characteristic of text entry techniques", MobileHCI 2002). The characteristic KSPC is a property of a layout and a
pack: touches perfect, over the whole lexicon. The measured KSPC (`kspc` of rankings and scores) is the same ratio over
the words of a run as they were typed, corrections by the model of selection included.
"""

from __future__ import annotations

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
