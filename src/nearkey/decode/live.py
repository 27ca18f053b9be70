"""What a live list shows: words, completions, predictions, spellings and marks, mixed by score."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nearkey.decode.candidates import Candidate
from nearkey.decode.overlay import PersonalWords
from nearkey.decode.protocols import State
from nearkey.decode.punctuation import KeyPunctuation
from nearkey.decode.speller import LetterSpeller
from nearkey.decode.spelling import spell

if TYPE_CHECKING:
    import nearkey._kernel as _kernel
    from nearkey.decode.decoder import Decoder

__all__ = ["Live"]

Rows = NDArray[np.float64]

SPELLING_WIDTH = 16
"""Beam of the letter model: an unknown word is one candidate among others."""

WINDOW = 12.0
"""Nats below the first beyond which a candidate is not worth a place: 1 in 160,000. Long words have few rivals,
and looking for hopeless ones took most of the time of a touch."""

_WORDS_KEPT = 4096

_SPARE = 2
"""Candidates asked for beyond those shown, in place of words that are not."""


class Live:
    """The live methods of a `Decoder`."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        pack: Any = decoder.pack
        model = getattr(pack, "letter_model", None)
        self.speller = (
            None
            if model is None
            else LetterSpeller(
                model, decoder.letters, weight=decoder.lm_weight, width=SPELLING_WIDTH
            )
        )
        self.marks = KeyPunctuation(getattr(pack, "marks", None), decoder.columns)
        self._table: Any = getattr(pack.language_model, "table", None)
        # The same few words come up again and again while a word grows.
        offensive: Callable[[str], bool] | None = getattr(pack.lexicon, "is_offensive", None)
        self._offensive = None if offensive is None else lru_cache(_WORDS_KEPT)(offensive)
        self._known = lru_cache(_WORDS_KEPT)(pack.lexicon.__contains__)
        edits = decoder.edits
        self._penalties = edits.kernel(completions=True, window=WINDOW)
        self._finished = edits.kernel(completions=False, window=WINDOW)
        self._lead = edits.completion_lead
        led = math.isfinite(self._lead) and edits.completion is not None
        self._for_first = replace(
            edits, completion=(edits.completion or 0.0) - self._lead if led else None
        ).kernel(completions=led, window=WINDOW)

    def candidates(
        self,
        rows: Rows,
        state: State,
        k: int,
        *,
        personal: PersonalWords | None,
        spelling: _kernel.Spelling | None = None,
    ) -> list[Candidate]:
        """The mixed list; `spelling` is the letter model's beam over the same touches, where a stream has one."""
        decoder = self._decoder
        if len(rows) == 0:
            return decoder.words(rows, state, k, personal=personal)
        found = self._fit_to_show(
            rows,
            decoder.words(rows, state, k + _SPARE, personal=personal, penalties=self._penalties),
        )[:k]
        spelled: Candidate | None = None
        others: list[Candidate] = []
        own = decoder.key_densities(rows[-1:]) if decoder.columns.symbols else None
        at = None if own is None else decoder.columns.symbol_at(own[0])
        if own is not None and at is not None:
            others = self._marked(rows, own, decoder.columns.written[at], state, k, personal)
            found = _mixed(found, others)
        else:
            spelled = self._spelled(rows, state, spelling, {c.word for c in found})
            if spelled is not None:
                others = [spelled]
                found = sorted([*found, spelled], key=lambda c: -c.log_prob)
        if found and found[0].kind == "completion" and self._lead > 0:
            found = self._led(found, rows, state, others, personal)
        if len(found) > k:
            # The spelling keeps a place: it is the way to a word no dictionary has.
            found = found[:k]
            if spelled is not None and k > 1 and spelled not in found:
                found[-1] = spelled
        return found

    def _led(
        self,
        found: list[Candidate],
        rows: Rows,
        state: State,
        others: list[Candidate],
        personal: PersonalWords | None,
    ) -> list[Candidate]:
        """A list whose best is unfinished, led by what a space is to take: the best reading where unfinished
        words cost `EditCosts.completion_first`. Exact: that is a search of its own, for few words."""
        rivals: list[Candidate] = []
        # Mostly the best may be shown, and looking for it alone is faster.
        for k in (1, 1 + _SPARE):
            rivals = self._decoder.words(
                rows, state, k, personal=personal, penalties=self._for_first
            )
            if not rivals or (rivals := self._fit_to_show(rows, rivals)[:1]):
                break
        first = max([*rivals, *others], key=lambda c: c.log_prob, default=found[0])
        if first.kind == "completion":
            return found
        return [first, *(c for c in found if c.text != first.text)]

    def _fit_to_show(self, rows: Rows, found: list[Candidate]) -> list[Candidate]:
        """Without the pack's offensive words, unless one was touched letter by letter."""
        if self._offensive is None:
            return found
        bad = [c for c in found if self._offensive(c.word)]
        if not bad:
            return found
        touched = self._letter_density(rows).argmax(axis=1)
        columns = self._decoder.columns.letter
        return [
            c
            for c in found
            if c not in bad
            or (
                c.kind == "word" and np.array_equal(columns[self._places(c.word)], columns[touched])
            )
        ]

    def _places(self, word: str) -> list[int]:
        """Where the letters of a word that can be typed stand among the decoder's letters."""
        letters = self._decoder.letters
        return [letters.index(c) for c in spell(word, letters) or ""]

    def _spelled(
        self,
        rows: Rows,
        state: State,
        spelling: _kernel.Spelling | None,
        shown: set[str],
    ) -> Candidate | None:
        """The best spelling that is not shown as a word already."""
        if self.speller is None or self._table is None or state is None:
            return None
        if spelling is None:
            spelling = self.speller.start()
            spelling.push(self._decoder.searcher, rows)
        unknown = self._decoder.lm_weight * self._table.log_prob(state, self._table.unk)
        for letters, total, touch, language in spelling.best(len(shown) + 4):
            text = self.speller.text(letters)
            if text not in shown and not self._known(text):
                return Candidate(text, text, total + unknown, touch, language + unknown, "spelled")
        return None

    # ---- marks ----

    def _marked(
        self,
        rows: Rows,
        own: Rows,
        written: str,
        state: State,
        k: int,
        personal: PersonalWords | None,
    ) -> list[Candidate]:
        """The k best readings of the last touch as a mark after the word.

        own : log densities (1, n_keys) of that touch. written : the marks on its key, "" for any.
        """
        if len(rows) < 2:
            return []
        density = cache(lambda mark: self.marks.density(own, mark))
        most = max(map(density, self.marks.possible(written)))
        asked = k + _SPARE
        while True:
            words = self._decoder.words(
                rows[:-1], state, asked, personal=personal, penalties=self._finished
            )
            shown = self._fit_to_show(rows[:-1], words)
            out = [c for word in shown for c in self._with_marks(word, written, density)]
            out.sort(key=lambda c: -c.log_prob)
            # Shares are 1 at most: words further down cannot enter.
            full = len(out) >= k and out[k - 1].log_prob >= words[-1].log_prob + most
            if full or not out or len(words) < asked:
                return out[:k]
            asked *= 2

    def _with_marks(
        self, word: Candidate, written: str, density: Callable[[str], float]
    ) -> list[Candidate]:
        """A word with each mark that a touch on a key may mean after it."""
        out = []
        for mark, log_share in self.marks.shares(word.word, written):
            touch, share = density(mark), self._decoder.lm_weight * log_share
            out.append(
                Candidate(
                    word.text + mark,
                    word.word,
                    word.log_prob + touch + share,
                    word.log_touch + touch,
                    word.log_language + share,
                    word.kind,
                )
            )
        return out

    # ---- letters ----

    def literal(self, rows: Rows) -> str:
        """The most probable letter of each touch."""
        decoder = self._decoder
        if len(rows) == 0:
            return ""
        return "".join(decoder.letters[i] for i in self._letter_density(rows).argmax(axis=1))

    def _letter_density(self, rows: Rows) -> Rows:
        return np.asarray(self._decoder.densities(rows)[:, self._decoder.columns.letter])

    def letters_at(self, rows: Rows, before: str) -> list[tuple[str, float]]:
        """Letters of one touch, best first."""
        decoder = self._decoder
        score = self._letter_density(rows)[0]
        if self.speller is not None:
            score = score + decoder.lm_weight * self.speller.next_letters(before)
        order = np.argsort(-score, kind="stable")
        return [(decoder.letters[i], float(score[i])) for i in order]


def _mixed(found: list[Candidate], marked: list[Candidate]) -> list[Candidate]:
    """Readings with and without a mark at the end, best first, hopeless ones left out."""
    by_text: dict[str, Candidate] = {}
    for c in sorted([*found, *marked], key=lambda c: -c.log_prob):
        # Where "dogs'" is a word it is also dogs with a mark: of one text, the better reading.
        by_text.setdefault(c.text, c)
    out = list(by_text.values())
    return [c for c in out if c.log_prob >= out[0].log_prob - WINDOW]
