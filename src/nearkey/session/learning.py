"""Carrying out what the machine asks for on a person's store, and remembering how to take it back."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nearkey.errors import NearkeyError
from nearkey.session.effects import Forget, Learn, Op, RemoveWord, StoreWord
from nearkey.session.pieces import Lesson
from nearkey.session.protocols import Learner, LiveDecoder, PersonalStore

__all__ = ["Teacher"]

Token = int | str


class _Words:
    """A person's store of words as a learner: it wants the language model's state."""

    def __init__(self, store: PersonalStore, decoder: LiveDecoder) -> None:
        self._store = store
        self._decoder = decoder

    def confirm(self, lesson: Lesson) -> int | None:
        return self._store.learn(lesson.text, self._decoder.state_after(lesson.context))

    def retract(self, token: Token) -> None:
        if isinstance(token, int):
            self._store.retract(token)


class Teacher:
    """Teaches the learners of one session.

    keep : called with (lesson, learner, token) for each thing learnt, so that it outlives a crash.
    fault : the last error a learner raised. A store that cannot write must not stop the typing.
    """

    def __init__(
        self,
        personal: PersonalStore | None,
        learners: Sequence[Learner],
        decoder: LiveDecoder,
        keep: Callable[[int, int, Token], None],
    ) -> None:
        self._personal = personal
        self._learners: list[Learner] = [] if personal is None else [_Words(personal, decoder)]
        self._learners += learners
        self._keep = keep
        self._tokens: dict[tuple[int, int], Token] = {}
        self.fault: NearkeyError | None = None

    def store_words(self, ops: Sequence[Op]) -> None:
        """Words added by hand, and taken out again. The store's `NearkeyError` is the caller's."""
        for op in ops:
            if self._personal is None:
                return
            if isinstance(op, StoreWord):
                self._personal.add_word(op.word)
            elif isinstance(op, RemoveWord):
                self._personal.remove_word(op.word)

    def teach(self, ops: Sequence[Op]) -> None:
        """Confirmed words, and those taken back."""
        for op in ops:
            for i, learner in enumerate(self._learners):
                try:
                    if isinstance(op, Learn):
                        token = learner.confirm(op.lesson)
                        if token is not None:
                            self._tokens[op.lesson.serial, i] = token
                            self._keep(op.lesson.serial, i, token)
                    elif isinstance(op, Forget):
                        token = self._tokens.pop((op.lesson.serial, i), None)
                        if token is not None:
                            learner.retract(token)
                except NearkeyError as fault:
                    self.fault = fault

    def remember(self, lesson: int, learner: int, token: Token) -> None:
        """A token from the journal."""
        self._tokens[lesson, learner] = token
