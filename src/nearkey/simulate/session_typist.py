"""A simulated person at a live session: types phrases, slips, notices or not, chooses, corrects.

Made to try out sessions, study logs and measures. No figure it gives says anything about people.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from nearkey.decode.spelling import spell
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.session import Session
from nearkey.simulate.typist import SamplingTouchModel


@dataclass(frozen=True, slots=True)
class TypistParameters:
    """How the simulated person types; all of it invented.

    slip : chance that a letter is aimed at some other key. notice : chance that a slip is seen at once.
    undo : chance that what is seen is taken back with undo, not delete; and then chance that the undo is redone
    and undone again. retry : chance that a word that is not listed is deleted and typed once more; else
    it stays as it came out. pace_s : median time between presses.
    """

    slip: float = 0.05
    notice: float = 0.7
    undo: float = 0.2
    retry: float = 0.5
    pace_s: float = 0.4


@dataclass(slots=True)
class TypistTally:
    """What was done for one phrase, counted by the one who did it.

    presses, taps, fixes : keystrokes; those that touch letters; those that take something back or bring it again.
    taken_back : characters that fixes took off the text, less those that came back.
    ranks : place in the list, from 0, of each word taken. times_s : of the first and the last press.
    text : what was transcribed.
    """

    presses: int = 0
    taps: int = 0
    fixes: int = 0
    taken_back: int = 0
    ranks: Counter[int] = field(default_factory=Counter)
    times_s: list[float] = field(default_factory=list)
    text: str = ""


class SessionTypist:
    """Drives a `Session` press by press and keeps its own tally of what it did.

    session : over a decoder for `layout`, whose keys all carry letters, so that no touch hits another.
    touch : where touches land. rng : all that is random. start_s : time of the first press.

    Raises PlanError for a layout with other keys.
    """

    def __init__(
        self,
        session: Session,
        layout: Layout,
        touch: SamplingTouchModel,
        rng: np.random.Generator,
        *,
        parameters: TypistParameters | None = None,
        start_s: float = 0.0,
    ) -> None:
        if len(layout.letter_keys) != len(layout.keys):
            raise PlanError(
                "has keys without letters, which a touch might hit",
                where=layout.name,
                fix="choose a layout of letter keys alone",
            )
        self.session = session
        self.time_s = start_s
        self._touch, self._rng, self._parameters = touch, rng, parameters or TypistParameters()
        column = {key: i for i, key in enumerate(touch.key_ids)}
        self._column = {c: column[layout.key_ids[i]] for c, i in layout.key_of_letter.items()}
        self._letters = layout.letters
        self._tally = TypistTally()

    def phrase(self, text: str) -> TypistTally:
        """Type a phrase of words parted by spaces into an empty text, and say what that took."""
        self._tally = TypistTally()
        for word in text.split():
            typed = spell(word, self._letters)
            if typed is None:
                raise PlanError(f"the word {word!r} cannot be typed", where="phrase")
            self._type(typed)
            self._take(word, typed)
        self._tally.text = self.session.text
        return self._tally

    def _press(self, verb: Callable[[float], object], *, fixes: bool = False) -> None:
        """One press: its time, and what it did to the text."""
        self.time_s = round(
            self.time_s + self._parameters.pace_s * float(self._rng.lognormal(0.0, 0.25)), 6
        )
        before = len(self.session.text)
        verb(self.time_s)
        tally = self._tally
        tally.presses += 1
        tally.times_s = [*tally.times_s[:1], self.time_s]
        if fixes:
            tally.fixes += 1
            tally.taken_back = max(0, tally.taken_back + before - len(self.session.text))

    def _type(self, letters: str) -> None:
        for letter in letters:
            slipped = self._rng.random() < self._parameters.slip
            aimed = str(self._rng.choice(list(self._letters))) if slipped else letter
            self._tap(aimed)
            if slipped and self._rng.random() < self._parameters.notice:
                self._take_back()
                self._tap(letter)

    def _tap(self, letter: str) -> None:
        x, y = self._touch.sample(np.asarray([self._column[letter]]), self._rng)[0].tolist()
        self._press(lambda t: self.session.tap(x, y, t))
        self._tally.taps += 1

    def _take_back(self) -> None:
        """Take the last touch back, one way or another."""
        if self._rng.random() >= self._parameters.undo:
            self._press(lambda t: self.session.delete(time_s=t), fixes=True)
            return
        self._press(lambda t: self.session.undo(time_s=t), fixes=True)
        if self._rng.random() < self._parameters.undo:
            self._press(lambda t: self.session.redo(time_s=t), fixes=True)
            self._press(lambda t: self.session.undo(time_s=t), fixes=True)

    def _take(self, word: str, letters: str) -> None:
        """Choose the word from the list; where it is missing, try again or leave what is first."""
        rank = self._rank(word)
        if rank is None and self._rng.random() < self._parameters.retry:
            while self.session.touches:
                self._press(lambda t: self.session.delete(time_s=t), fixes=True)
            self._type(letters)
            rank = self._rank(word)
        if rank:
            place = rank
            self._press(lambda t: self.session.accept(place, time_s=t))
        self._tally.ranks[rank or 0] += 1
        self._press(lambda t: self.session.commit(time_s=t))

    def _rank(self, word: str) -> int | None:
        for place, candidate in enumerate(self.session.candidates):
            if candidate.text.lower() == word.lower():
                return place
        return None
