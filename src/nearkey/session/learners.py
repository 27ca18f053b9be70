"""Those who learn from a session: what it asks of them, and the telling. Anything with these methods plugs in."""

from __future__ import annotations

import warnings
from array import array
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Protocol, runtime_checkable

from nearkey.decode import LiveDecoder, PersonalWords, State
from nearkey.errors import NearkeyError
from nearkey.session.messages import (
    Forget,
    Learn,
    Observation,
    RemoveWord,
    StoreEffect,
    StoreWord,
)


@runtime_checkable
class PersonalStore(PersonalWords, Protocol):
    """A person's store of words: the decoder reads it as `PersonalWords`; only sessions teach it."""

    def __contains__(self, word: object, /) -> bool:
        """Whether a word is offered as the person's own."""

    def learn(self, word: str, state: State = None) -> int | None:
        """Count a confirmed word, as written, after a state; a number for `retract`, or None."""

    def retract(self, serial: int | None = None) -> Any:
        """Take one word back, as if it had never been learnt."""

    def add_word(self, word: str) -> None:
        """Enter a word by hand; takes effect at once. A `NearkeyError` where it is no word."""

    def remove_word(self, word: str) -> Any:
        """Take a word entered by hand out again."""


@runtime_checkable
class Learner(Protocol):
    """Anything else that learns from confirmed words, such as a person's touch model."""

    def confirm(self, observation: Observation, /) -> int | str | None:
        """Learn from one word; the answer is kept in the journal and handed to `retract`.

        None: nothing was learnt, and nothing need be taken back.
        """

    def retract(self, update_id: int | str, /) -> Any:
        """Take one word back: it was opened again, or its commit undone. `update_id` is `confirm`'s answer."""


# ---- telling those who learn ----


class _WordsLearner:
    """A person's store of words as a learner: it wants the language model's state."""

    def __init__(self, store: PersonalStore, decoder: LiveDecoder) -> None:
        self._store = store
        self._decoder = decoder

    def confirm(self, observation: Observation, /) -> int | None:
        state = self._decoder.state_after(observation.context)
        return self._store.learn(observation.text, state)

    def retract(self, update_id: int | str, /) -> None:
        if isinstance(update_id, int):
            self._store.retract(update_id)


class Updaters:
    """Those who learn from one session, and the ids by which each update can be taken back.

    Parameters
    ----------
    personal, learners : as the session got them; the store is the first of the learners.
    decoder : gives the store the language model's states.
    keep : called with (observation, learner, update id) for each thing learnt, so that it outlives a crash.

    `fault` is the last error a learner raised; the first is also told as a RuntimeWarning. A store that cannot
    write must not stop the typing.
    """

    def __init__(
        self,
        personal: PersonalStore | None,
        learners: Sequence[Learner],
        decoder: LiveDecoder,
        keep: Callable[[int, int, int | str], None],
    ) -> None:
        self._personal = personal
        words = () if personal is None else (_WordsLearner(personal, decoder),)
        self._learners: tuple[Learner, ...] = (*words, *learners)
        self._keep = keep
        # By number of the learner. A journal names learners that are not here now and may be again; a dict, so that
        # a forged number reserves nothing.
        self._ids: defaultdict[int, _UpdateIds] = defaultdict(_UpdateIds)
        self.fault: NearkeyError | None = None

    def store_words(self, effects: Sequence[StoreEffect]) -> None:
        """Words added by hand, and taken out again. The store's `NearkeyError` is the caller's."""
        for effect in effects:
            if self._personal is None:
                return
            if isinstance(effect, StoreWord):
                self._personal.add_word(effect.word)
            elif isinstance(effect, RemoveWord):
                self._personal.remove_word(effect.word)

    def update(self, effects: Sequence[StoreEffect]) -> None:
        """Confirmed words, and those taken back."""
        for effect in effects:
            for i, learner in enumerate(self._learners):
                try:
                    if isinstance(effect, Learn):
                        serial = effect.observation.serial
                        update_id = learner.confirm(effect.observation)
                        if update_id is not None:
                            self._ids[i].put(serial, update_id)
                            self._keep(serial, i, update_id)
                    elif isinstance(effect, Forget):
                        update_id = self._ids[i].pop(effect.observation.serial)
                        if update_id is not None:
                            learner.retract(update_id)
                except NearkeyError as fault:
                    if self.fault is None:
                        warnings.warn(
                            f"learning is not saved: {fault}", RuntimeWarning, stacklevel=5
                        )
                    self.fault = fault

    def remember(self, observation: int, learner: int, update_id: int | str | None) -> None:
        """An update from the journal; also of a learner who is not here, for when the session is restored with it."""
        if update_id is not None:
            self._ids[learner].put(observation, update_id)

    def known(self) -> Iterator[tuple[int, int, list[int | str | None]]]:
        """All updates that can be taken back: (learner, number of the first observation, ids or None from there on)."""
        for learner, ids in sorted(self._ids.items()):
            for first, some in ids.runs():
                yield learner, first, some


class _UpdateIds:
    """Ids of one learner's updates by number of observation, in eight bytes each where they are numbers."""

    _NONE = -(1 << 63)
    _RUN = 4096

    def __init__(self) -> None:
        self._numbers = array("q")
        self._others: dict[int, int | str] = {}

    def put(self, serial: int, update_id: int | str) -> None:
        numbers = self._numbers
        # A number far beyond the others, as in a forged journal, must not reserve all that lies between.
        near = serial < len(numbers) + self._RUN
        if near and isinstance(update_id, int) and abs(update_id) < 1 << 62:
            self._others.pop(serial, None)
            numbers.extend([self._NONE] * (serial + 1 - len(numbers)))
            numbers[serial] = update_id
        else:
            self.pop(serial)
            self._others[serial] = update_id

    def pop(self, serial: int) -> int | str | None:
        if serial in self._others:
            return self._others.pop(serial)
        if serial >= len(self._numbers) or self._numbers[serial] == self._NONE:
            return None
        update_id, self._numbers[serial] = self._numbers[serial], self._NONE
        return update_id

    def runs(self) -> Iterator[tuple[int, list[int | str | None]]]:
        for first in range(0, len(self._numbers), self._RUN):
            some = self._numbers[first : first + self._RUN]
            if any(n != self._NONE for n in some):
                yield first, [None if n == self._NONE else n for n in some]
        for serial, update_id in self._others.items():
            yield serial, [update_id]
