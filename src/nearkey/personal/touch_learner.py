"""`TouchLearner`: a decoder whose touch model follows one person's confirmed words."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nearkey.decode import Candidate, Decoder
from nearkey.decode.protocols import PersonalWords, State, TouchModel
from nearkey.decode.spelling import SILENT, spell
from nearkey.errors import PersonalError

# Readings over which a doubtful label is spread.
_READINGS = 5


class AdaptiveTouch(TouchModel, Protocol):
    """A touch model that learns one person, such as `nearkey.touch.PersonTouch`."""

    def observe(self, points: ArrayLike, *, responsibilities: ArrayLike) -> Any:
        """Learn touches (n, 2) from soft labels (n, n_keys), whose rows sum to at most 1."""

    def copy(self) -> Self:
        """An independent copy."""

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model to a file."""


class ConfirmedWord(Protocol):
    """One word that a person let stand, as a session tells of it.

    word : as the lexicon has it. context : the text before it. points : its touches, in layout units.
    kind : `Candidate.kind` of the reading. explicit : the person chose it; False where she moved on.
    """

    @property
    def word(self) -> str: ...
    @property
    def context(self) -> str: ...
    @property
    def points(self) -> Sequence[tuple[float, float]]: ...
    @property
    def kind(self) -> str: ...
    @property
    def explicit(self) -> bool: ...


@dataclass(frozen=True, slots=True, eq=False)
class _TouchObservation:
    """One word's touches as they were learnt."""

    update_id: int
    points: NDArray[np.float64]
    responsibilities: NDArray[np.float64]


class TouchLearner:
    """Learns one person's touches from her confirmed words.

    Parameters
    ----------
    decoder : the decoder everybody has: its layout, its pack and its options stay.
    touch : the person's touch model, with a column for each key of the decoder's letters. It is
        taken over: this object alone teaches it.
    fresh : what `reset` goes back to; `touch` as it is now unless given.
    words : the person's words; they help to judge the other readings where labels are soft.
    mislabelling : how probable it is that a word the person chose herself was confirmed wrongly.
    mislabelling_moved_on : the same where she merely moved on to the next word.
    soft_labels : spread a doubtful word's touches over the decoder's other readings of them, by
        their posterior; without it that probability only makes the label weigh less.
    undo_words : the touches of the last so many words can be taken back exactly.
    first_id : number of the first observation. Unless given it is read off the clock, so that ids
        that outlived a crash never name an observation learnt after it.

    `on_change`, where set, is called after each observation and each one taken back.
    """

    def __init__(
        self,
        decoder: Decoder,
        touch: AdaptiveTouch,
        *,
        fresh: AdaptiveTouch | None = None,
        words: PersonalWords | None = None,
        mislabelling: float = 0.02,
        mislabelling_moved_on: float = 0.1,
        soft_labels: bool = False,
        undo_words: int = 200,
        first_id: int | None = None,
    ) -> None:
        for name, value in (
            ("mislabelling", mislabelling),
            ("mislabelling_moved_on", mislabelling_moved_on),
        ):
            if not 0.0 <= value < 1.0:
                raise PersonalError(
                    f"is {value}", field=name, fix="give a probability from 0, below 1"
                )
        self.mislabelling = mislabelling
        self.mislabelling_moved_on = mislabelling_moved_on
        self.soft_labels = soft_labels
        self._words = words
        self._undo_words = undo_words
        self.on_change: Callable[[], None] | None = None
        self._touch = touch
        self._fresh = (touch if fresh is None else fresh).copy()
        # What is past taking back; the touches since then are kept, to be learnt anew without one.
        self._settled = touch.copy()
        self._recent: deque[_TouchObservation] = deque()
        self._next = time.time_ns() // 1000 if first_id is None else first_id
        self._current = decoder.with_layout(decoder.layout, touch.copy())
        self._stale = False
        columns = self._current.columns
        self._column = dict(zip(columns.letters, columns.letter.tolist(), strict=True))

    @property
    def decoder(self) -> Decoder:
        """The decoder with the person's touch model as it is now; another one after each observation."""
        if self._stale:
            self._current = self._current.with_layout(self._current.layout, self._touch.copy())
            self._stale = False
        return self._current

    @property
    def touch(self) -> AdaptiveTouch:
        """A copy of the touch model as it is now."""
        return self._touch.copy()

    def confirm(self, observation: ConfirmedWord, /) -> int | None:
        """Learn from a word a session reports; as `learn`."""
        return self.learn(
            observation.word,
            observation.points,
            context=observation.context,
            kind=observation.kind,
            explicit=observation.explicit,
        )

    def learn(
        self,
        word: str,
        points: ArrayLike,
        *,
        context: str | State = "",
        kind: str = "word",
        explicit: bool = True,
    ) -> int | None:
        """Learn from the touches (n, 2), in layout units, of a word that was let stand.

        kind : `Candidate.kind` of the reading. explicit : the person chose it; False where she
        moved on. Returns the update's id for `retract`; None where nothing was learnt, because the touches
        are not one a letter: an edited, unfinished or predicted word.
        """
        rows = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if len(rows) == 0 or kind not in ("word", "spelled"):
            return None
        mislabelling = self.mislabelling if explicit else self.mislabelling_moved_on
        readings: Sequence[Candidate] = ()
        if self.soft_labels and mislabelling > 0.0:
            readings = self.decoder.decode(rows, context=context, k=_READINGS, personal=self._words)
        responsibilities = key_responsibilities(
            meant(word, readings, mislabelling=mislabelling),
            self._column,
            n_touches=len(rows),
            n_keys=self._current.columns.n_columns,
        )
        if responsibilities is None:
            return None
        columns = self._current.columns
        if len(columns.symbols) > 1:
            responsibilities = columns.apportioned(responsibilities, self._touch.log_prob(rows))
        observation = _TouchObservation(self._next, rows, responsibilities)
        self._touch.observe(rows, responsibilities=responsibilities)
        self._next += 1
        self._stale = True
        self._recent.append(observation)
        while len(self._recent) > self._undo_words:
            settled = self._recent.popleft()
            self._settled.observe(settled.points, responsibilities=settled.responsibilities)
        self._tell()
        return observation.update_id

    def retract(self, update_id: int | str, /) -> bool:
        """Take one word's touches back, as if they had never been learnt.

        Returns whether there was such an observation: False when it was taken back before, or lies further
        back than `undo_words` words, or before this object was made.
        """
        kept = [observation for observation in self._recent if observation.update_id != update_id]
        if len(kept) == len(self._recent):
            return False
        self._recent = deque(kept)
        self._touch = self._settled.copy()
        for observation in kept:
            self._touch.observe(observation.points, responsibilities=observation.responsibilities)
        self._stale = True
        self._tell()
        return True

    def reset(self) -> None:
        """Forget all that was learnt."""
        self._touch, self._settled = self._fresh.copy(), self._fresh.copy()
        self._recent.clear()
        self._stale = True

    def _tell(self) -> None:
        if self.on_change is not None:
            self.on_change()


# ---- soft labels: which keys the touches of a confirmed word were meant for ----

# Readings whose touches are one a letter, in order.
_PLAIN = ("word", "spelled")


def typed_letters(word: str, letters: str, n_touches: int) -> str | None:
    """The letters that n touches type of a word, one each; None where they cannot.

    letters : all that can be typed. A mark inside the word (don't) may have its own touch, where the layout
    has its key, or none.
    """
    for form in (word, "".join(c for c in word if c not in SILENT)):
        typed = spell(form, letters) if form else None
        if typed is not None and len(typed) == n_touches:
            return typed
    return None


def meant(word: str, candidates: Sequence[Candidate], *, mislabelling: float) -> dict[str, float]:
    """P(each word was meant | the touches, and that `word` was confirmed).

    The person confirms what she meant with probability 1 - mislabelling, else any other reading of the
    list alike: P(v | confirmed w) is proportional to P(v | touches) times (1 - mislabelling) for w, and
    times mislabelling / (number of the others) for each other. `candidates` gives P(v | touches) up to a
    factor; a word that is not among them is given 1 - mislabelling.
    """
    scores = {c.word: c.log_prob for c in candidates if c.kind in _PLAIN}
    if word not in scores or len(scores) < 2:
        return {word: 1.0 - mislabelling}
    top = max(scores.values())
    others = mislabelling / (len(scores) - 1)
    joint = {
        v: np.exp(score - top) * ((1.0 - mislabelling) if v == word else others)
        for v, score in scores.items()
    }
    total = sum(joint.values())
    return {v: float(p / total) for v, p in joint.items()}


def key_responsibilities(
    words: Mapping[str, float], column: Mapping[str, int], *, n_touches: int, n_keys: int
) -> NDArray[np.float64] | None:
    """P(touch i was meant for key k), (n_touches, n_keys): soft labels; rows sum to 1 or less.

    words : P(each word was meant). column : column of each letter's key in the touch model.
    None where no word of the list is typed by that many touches.
    """
    responsibilities = np.zeros((n_touches, n_keys))
    for word, p in words.items():
        typed = typed_letters(word, "".join(column), n_touches)
        if typed is not None:
            for i, letter in enumerate(typed):
                responsibilities[i, column[letter]] += p
    return responsibilities if responsibilities.any() else None
