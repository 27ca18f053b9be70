"""What a live list shows: words, completions, predictions, spellings and marks, mixed by score."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate
from nearkey.decode.protocols import PersonalWords, State
from nearkey.decode.punctuation import KeyPunctuation
from nearkey.decode.spelling import spell
from nearkey.decode.touches import Touches
from nearkey.decode.word_search import WordSearch

WINDOW = 12.0
"""Nats below the first beyond which a candidate is not worth a place: 1 in 160,000. Long words have few rivals,
and looking for hopeless ones took most of the time of a touch."""

_STRINGS_KEPT = 4096

_SPARE = 2
"""Candidates asked for beyond those shown, in place of words that are not."""


class LiveList:
    """The live list of a decoder. search : its search for words."""

    def __init__(self, search: WordSearch) -> None:
        self._search = search
        self.punctuation = KeyPunctuation(search.parts.marks, search.columns)
        # The same few strings come up again and again while a word grows.
        self._known = lru_cache(_STRINGS_KEPT)(search.parts.lexicon.__contains__)
        edits = search.edits
        self._penalties = edits.kernel(completions=True, window=WINDOW)
        self._finished = edits.kernel(completions=False, window=WINDOW)
        self._lead = edits.completion_lead
        led = math.isfinite(self._lead) and edits.completion is not None
        self._for_first = replace(
            edits, completion=(edits.completion or 0.0) - self._lead if led else None
        ).kernel(completions=led, window=WINDOW)

    def forget_recent(self) -> None:
        """Drop the strings that were looked up last."""
        self._known.cache_clear()

    def candidates(
        self,
        touches: Touches,
        state: State | None,
        k: int,
        *,
        personal: PersonalWords | None,
        beam: _kernel.Spelling | None = None,
    ) -> list[Candidate]:
        """The mixed list; `beam` is the letter model's over the same touches, where a stream has one."""
        search = self._search
        n = len(touches)
        if n == 0:
            return search.words(touches, state, k, penalties=self._finished, personal=personal)
        symbol = None
        if search.columns.symbols:
            own = search.key_densities(touches.part(n - 1, n))
            symbol = search.columns.symbol_at(own[0])
        spelled: Candidate | None = None
        others: list[Candidate] = []
        penalties = self._penalties
        if symbol is not None:
            written = search.columns.written[symbol]
            density = cache(lambda mark: self.punctuation.density(own, mark))
            others = self._marked(touches.part(0, n - 1), density, written, state, k, personal)
            if others:
                # Words that these leave no place for need not be looked for.
                floor = others[0].log_prob - WINDOW
                if len({c.text for c in others}) == k:
                    floor = max(floor, others[-1].log_prob)
                penalties = search.edits.kernel(completions=True, window=WINDOW, floor=floor)
        found = self._fit_to_show(
            touches,
            search.words(touches, state, k + _SPARE, penalties=penalties, personal=personal),
        )[:k]
        if symbol is not None:
            found = _mixed(found, others)
        else:
            spelled = self._spelled(touches, state, beam, {c.word for c in found})
            if spelled is not None:
                others = [spelled]
                found = sorted([*found, spelled], key=_score)
        if found and found[0].kind == "completion" and self._lead > 0:
            found = self._led(found, touches, state, others, personal)
        if len(found) > k:
            # The spelling keeps a place: it is the way to a word no dictionary has.
            found = found[:k]
            if spelled is not None and k > 1 and spelled not in found:
                found[-1] = spelled
        return found

    def _led(
        self,
        found: list[Candidate],
        touches: Touches,
        state: State | None,
        others: list[Candidate],
        personal: PersonalWords | None,
    ) -> list[Candidate]:
        """A list whose best is unfinished, led by what a space is to take: the best reading where unfinished
        words cost `EditCosts.completion_first`. Exact: that is a search of its own, for few words."""
        rivals: list[Candidate] = []
        # Mostly the best may be shown, and looking for it alone is faster.
        for k in (1, 1 + _SPARE):
            rivals = self._search.words(
                touches, state, k, penalties=self._for_first, personal=personal
            )
            if not rivals or (rivals := self._fit_to_show(touches, rivals)[:1]):
                break
        first = max([*rivals, *others], key=lambda c: c.log_prob, default=found[0])
        if first.kind == "completion":
            return found
        return [first, *(c for c in found if c.text != first.text)]

    def _fit_to_show(self, touches: Touches, found: list[Candidate]) -> list[Candidate]:
        """Without the pack's offensive words, unless one was touched letter by letter."""
        bad = self._search.parts.offensive
        if bad.isdisjoint([c.index for c in found]):
            return found
        columns, letters = self._search.columns.letter, self._search.letters
        touched = [columns[i] for i in self._search.letter_densities(touches).argmax(axis=1)]

        def exact(word: str) -> bool:
            return touched == [columns[letters.index(c)] for c in spell(word, letters) or ""]

        return [c for c in found if c.index not in bad or (c.kind == "word" and exact(c.word))]

    def _spelled(
        self,
        touches: Touches,
        state: State | None,
        beam: _kernel.Spelling | None,
        shown: set[str],
    ) -> Candidate | None:
        """The best spelling that is not shown as a word already."""
        search = self._search
        speller = search.speller
        if speller is None or state is None:
            return None
        if beam is None:
            beam = speller.start()
            beam.push(search.contextual, touches.rows)
        # Mostly the second or third is no word.
        for k in (3, len(shown) + 4):
            for letters, total, touch, language in beam.best(k):
                text = search.word(letters)
                if text not in shown and not self._known(text):
                    unknown = search.lm_weight * search.log_unknown(state)
                    total, language = total + unknown, language + unknown
                    return Candidate(text, text, total, touch, language, "spelled")
        return None

    # ---- punctuation ----

    def _marked(
        self,
        word_touches: Touches,
        density: Callable[[str], float],
        written: str,
        state: State | None,
        k: int,
        personal: PersonalWords | None,
    ) -> list[Candidate]:
        """The k best readings of a touch on a symbol key as a mark after the word of the touches before it.

        density : natural log density of that touch under a mark. written : the marks on its key, "" for any.
        """
        if not len(word_touches):
            return []
        most = max(map(density, self.punctuation.possible(written)))
        asked = k + _SPARE
        while True:
            words = self._search.words(
                word_touches, state, asked, penalties=self._finished, personal=personal
            )
            shown = self._fit_to_show(word_touches, words)
            out = [c for word in shown for c in self._with_marks(word, written, density)]
            out.sort(key=_score)
            # Probabilities are 1 at most: words further down cannot enter.
            full = len(out) >= k and out[k - 1].log_prob >= words[-1].log_prob + most
            if full or not out or len(words) < asked:
                return out[:k]
            asked *= 2

    def _with_marks(
        self, word: Candidate, written: str, density: Callable[[str], float]
    ) -> list[Candidate]:
        """A word with each mark that a touch on a key may mean after it."""
        out = []
        for mark, log_prob in self.punctuation.log_probs(word.word, written):
            touch, language = density(mark), self._search.lm_weight * log_prob
            out.append(
                Candidate(
                    word.text + mark,
                    word.word,
                    word.log_prob + touch + language,
                    word.log_touch + touch,
                    word.log_language + language,
                    word.kind,
                    word.index,
                )
            )
        return out


def _score(candidate: Candidate) -> float:
    """Sorts the best first."""
    return -candidate.log_prob


def _mixed(found: list[Candidate], marked: list[Candidate]) -> list[Candidate]:
    """Readings with and without a mark at the end, best first, hopeless ones left out."""
    by_text: dict[str, Candidate] = {}
    for c in sorted([*found, *marked], key=_score):
        # Where "dogs'" is a word it is also dogs with a mark: of one text, the better reading.
        by_text.setdefault(c.text, c)
    out = list(by_text.values())
    return [c for c in out if c.log_prob >= out[0].log_prob - WINDOW]
