"""What a live list shows: words, completions, predictions, spellings and marks, mixed by score; for a word that grows
touch by touch, too."""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import cache, cached_property, lru_cache

import numpy as np

import nearkey._kernel as _kernel
from nearkey.decode.candidates import Candidate
from nearkey.decode.protocols import PersonalWords, State
from nearkey.decode.punctuation import KeyPunctuation
from nearkey.decode.touches import LARGEST_COORDINATE, MOST_TOUCHES, Touches
from nearkey.decode.word_search import WordSearch
from nearkey.errors import DecodeError
from nearkey.one_thread import OneThread

WINDOW = 12.0
"""Nats below the first beyond which a candidate is not worth a place: 1 in 160,000. Long words have few rivals,
and looking for hopeless ones took most of the time of a touch."""

_STRINGS_KEPT = 4096

_SPARE = 2
"""Words asked for beyond the marked readings shown: not each word is shown with a mark."""


class LiveList:
    """The live list of a decoder. search : its search for words."""

    def __init__(self, search: WordSearch) -> None:
        self._search = search
        self.punctuation = KeyPunctuation(search.parts.marks, search.columns)
        # The same few strings come up again and again while a word grows.
        self._known = lru_cache(_STRINGS_KEPT)(search.parts.lexicon.__contains__)
        self._lead = search.edits.completion_lead
        # Each thread's own: mostly the word of the last call has grown by a touch.
        self._own = threading.local()

    # Made when first asked for: they hold a byte a word, and a ranking's thousands of decoders list nothing live.
    @cached_property
    def _penalties(self) -> _kernel.Penalties:
        return self._costs(completions=True)

    @cached_property
    def _finished(self) -> _kernel.Penalties:
        return self._costs(completions=False)

    def _costs(self, *, completions: bool) -> _kernel.Penalties:
        """The kernel's; offensive words are shown only where they were touched letter by letter."""
        parts, hidden = self._search.parts, None
        if parts.offensive:
            hidden = np.zeros(len(parts.lexicon), np.uint8)
            hidden[list(parts.offensive)] = 1
        return self._search.edits.kernel(completions=completions, window=WINDOW, hidden=hidden)

    def forget_recent(self) -> None:
        """Drop the strings that were looked up last, and the word spelled last."""
        self._known.cache_clear()
        self._own = threading.local()

    def candidates(
        self,
        touches: Touches,
        state: State | None,
        k: int,
        *,
        personal: PersonalWords | None,
        beam: _kernel.Spelling | None = None,
    ) -> list[Candidate]:
        """The mixed list; `beam` is a stream's own of the letter model, where it has one."""
        search = self._search
        n = len(touches)
        if n == 0:
            return self._predicted(touches, state, k, personal)
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
                penalties = penalties.above(floor)
        found, finished = search.words(touches, state, k, penalties=penalties, personal=personal)
        if symbol is not None:
            found = _mixed(found, others)
        else:
            spelled = self._spelled(touches, state, beam, {c.word for c in found})
            if spelled is not None:
                others = [spelled]
                found = sorted([*found, spelled], key=_score)
        if found and found[0].kind == "completion":
            # The best is unfinished: what a space is to take is the best reading where that costs the lead as well.
            rivals = others if finished is None else [finished, *others]
            first = max(rivals, key=lambda c: c.log_prob, default=None)
            if first is not None and first.log_prob > found[0].log_prob - self._lead:
                found = [first, *(c for c in found if c.text != first.text)]
        if len(found) > k:
            # The spelling keeps a place: it is the way to a word no dictionary has.
            found = found[:k]
            if spelled is not None and k > 1 and spelled not in found:
                found[-1] = spelled
        return found

    def _predicted(
        self, nothing: Touches, state: State | None, k: int, personal: PersonalWords | None
    ) -> list[Candidate]:
        """The next words, but for offensive ones: none was touched."""
        search, asked = self._search, k
        while True:
            found, _ = search.words(
                nothing, state, asked, penalties=self._finished, personal=personal
            )
            shown = [c for c in found if c.index not in search.parts.offensive]
            if len(shown) >= k or len(found) < asked:
                return shown[:k]
            asked *= 2

    def _spelled(
        self,
        touches: Touches,
        state: State | None,
        beam: _kernel.Spelling | None,
        shown: set[str],
    ) -> Candidate | None:
        """The best spelling that is not shown as a word already."""
        search = self._search
        if search.speller is None or state is None:
            return None
        if beam is None:
            beam = getattr(self._own, "beam", None)
            if beam is None:
                beam = self._own.beam = _kernel.Spelling(search.speller)
        # Mostly the second or third is no word.
        for k in (3, len(shown) + 4):
            for letters, total, touch, language in beam.best(search.contextual, touches.rows, k):
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
            words, _ = self._search.words(
                word_touches, state, asked, penalties=self._finished, personal=personal
            )
            out = [c for word in words for c in self._with_marks(word, written, density)]
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


# ---- a word that grows ----


class Stream:
    """Touches in, candidates out, one at a time; the answers are those of `Decoder.candidates`.

    Each touch extends the letter model's beam by one step; `undo` takes it off at no cost. The word search
    is made afresh at each touch: it takes some 20 microseconds. It belongs to the thread that made it: in another one
    every question raises `DecodeError`, until that one has called `take_over`.
    """

    def __init__(
        self,
        search: WordSearch,
        live: LiveList,
        state: State | None,
        k: int,
        personal: PersonalWords | None,
    ) -> None:
        self._thread = OneThread("Stream", DecodeError)
        self._search = search
        self._live = live
        self._state = state
        self._k = k
        self._personal = personal
        self._by_points = search.emitter is not None
        self._rows = np.zeros((16, 2 if self._by_points else search.columns.n_columns))
        self._length = 0
        self._beam = None if search.speller is None else _kernel.Spelling(search.speller)

    def take_over(self) -> None:
        """From now on the calling thread's own; the one that had it must have finished with it."""
        self._thread.take()

    def __len__(self) -> int:
        return self._length

    def tap(self, x: float, y: float) -> list[Candidate]:
        """Add a touch (layout units) and answer with the candidates. Raises `DecodeError` for what is no place, and
        for more than `MOST_TOUCHES`."""
        self._thread.check()
        n = self._length
        if n == MOST_TOUCHES:
            raise DecodeError(
                f"{n} touches in one word", where="Stream", field="tap", fix="begin another word"
            )
        if n == len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros_like(self._rows)])
        limit = LARGEST_COORDINATE
        plain = isinstance(x, float) and isinstance(y, float)  # also numpy's
        if self._by_points and plain and abs(x) <= limit >= abs(y):
            self._rows[n, 0], self._rows[n, 1] = x, y
        else:
            self._rows[n] = self._search.touches(Touches.one((x, y))).rows[0]
        self._length = n + 1
        return self._answer()

    def undo(self) -> list[Candidate]:
        """Take the last touch back. Raises `DecodeError` when there is none."""
        self._thread.check()
        if self._length == 0:
            raise DecodeError(
                "no touch to take back", where="Stream", field="undo", fix="tap first"
            )
        self._length -= 1
        return self._answer()

    def candidates(self) -> list[Candidate]:
        """The candidates for the touches so far; predictions when there are none."""
        self._thread.check()
        return self._answer()

    def _answer(self) -> list[Candidate]:
        touches = Touches(self._rows[: self._length], self._by_points)
        return self._live.candidates(
            touches, self._state, self._k, personal=self._personal, beam=self._beam
        )
