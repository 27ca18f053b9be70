"""`Session`: the live editor. A thin shell: the state machine decides, this carries it out."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Literal, Self

from nearkey.errors import DecodeError, JournalError, NearkeyError
from nearkey.session import events as ev
from nearkey.session.apply import apply
from nearkey.session.decide import decide
from nearkey.session.effects import Effect, Op, Record, inverse
from nearkey.session.events import Event
from nearkey.session.header import header_of, settings_of, utc_now
from nearkey.session.history import State
from nearkey.session.journal import Journal, JournalWriter, Learnt, Resumed, Torn
from nearkey.session.learning import Teacher, Token
from nearkey.session.machine import advance
from nearkey.session.notices import Observer, notice_of, private_notice
from nearkey.session.protocols import Learner, LiveDecoder, PersonalStore
from nearkey.session.reader import Reader
from nearkey.session.settings import Settings
from nearkey.session.spacing import Spacing
from nearkey.session.standing import Standing

__all__ = ["Session"]


class Session(Standing):
    """A text being typed through a decoder, with undo of everything.

    Parameters
    ----------
    decoder : a `LiveDecoder`; never changed, so any number of sessions may share it.
    journal : file to keep the session in, made anew; `restore` goes on with it after a crash.
    private : for passwords and the like. Nothing is journaled, nothing is learnt, and observers
        are told neither text nor touches, whatever else is asked for; a `journal` is refused.
    personal : the person's words: read by the decoder, taught with each confirmed word.
    learners : others that learn from confirmed words, such as the person's touch model.
    fsync : force every journal line to the disk: survives a power cut, costs milliseconds.
    k, undo_limit, context_chars, spacing : see `Settings`.
    clock : gives seconds; differences count. `time.monotonic` unless given.

    Every verb returns whether it changed anything. One thread at a time.

    Raises `JournalError` where the journal exists, is in use or cannot be written, or the session is
    private; an event whose journal line cannot be written is not carried out.

    Cautions. A journal holds private text: keep it where its owner keeps private files, and delete
    it when it has served. Password and other secret fields get ``private=True``. Looking at a small
    surface takes eyes and hands: not while walking or driving, and no study of such use without an
    ethics review by those responsible where it takes place.
    """

    _journal: JournalWriter | None

    def __init__(
        self,
        decoder: LiveDecoder,
        *,
        journal: str | os.PathLike[str] | None = None,
        private: bool = False,
        personal: PersonalStore | None = None,
        learners: Sequence[Learner] = (),
        fsync: bool = False,
        k: int = 5,
        undo_limit: int | None = None,
        context_chars: int = 200,
        spacing: Spacing | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if private and journal is not None:
            raise JournalError(
                "a private session keeps no journal",
                where=os.fspath(journal),
                field="journal",
                fix="leave out journal, or private=True",
            )
        settings = Settings(
            k=k,
            undo_limit=undo_limit,
            context_chars=context_chars,
            spacing=spacing or Spacing(),
        )
        self._start(decoder, settings, private, personal, learners, clock, 0.0)
        if journal is not None:
            self._journal = JournalWriter.begin(journal, header_of(decoder, settings), fsync=fsync)

    def _start(
        self,
        decoder: LiveDecoder,
        settings: Settings,
        private: bool,
        personal: PersonalStore | None,
        learners: Sequence[Learner],
        clock: Callable[[], float],
        elapsed: float,
    ) -> None:
        Standing.__init__(self, Reader(decoder, settings, personal=personal, may_add=not private))
        self._private = private
        self._teacher = None if private else Teacher(personal, learners, decoder, self._keep)
        self._journal = None
        self._torn: Torn | None = None
        self._observers: tuple[Observer, ...] = ()
        self._clock = clock
        self._zero = clock() - elapsed
        self._last_time_s = elapsed

    @classmethod
    def restore(
        cls,
        path: str | os.PathLike[str],
        decoder: LiveDecoder,
        *,
        personal: PersonalStore | None = None,
        learners: Sequence[Learner] = (),
        fsync: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> Self:
        """The session a journal holds, exactly as it was; it goes on in the same journal.

        A last line that a crash cut short is cut off and reported in `torn`. Settings come from the
        journal. The decoder is not asked: what it had decided stands in the journal, and only the
        word in the making is read by the decoder given, as live touches are.

        Raises `JournalError` naming file and line where the journal is damaged before its last
        line, and where its touches were made on another layout.
        """
        writer = JournalWriter(path, fsync=fsync, new=False)
        try:
            journal = Journal.read(path)
            header = journal.header or header_of(decoder, Settings())
            if header.layout != decoder.layout.name:
                raise JournalError(
                    f"is {header.layout!r}, the decoder's is {decoder.layout.name!r}",
                    where=f"{os.fspath(path)}, line 1",
                    field="layout",
                    fix="restore it with a decoder of the same layout",
                )
            settings = settings_of(header)
            elapsed = max((record.t for record in journal.records), default=0.0)
            self = cls.__new__(cls)
            self._start(decoder, settings, False, personal, learners, clock, elapsed)
            self._replay(journal)
            writer.resume(journal)
            self._journal, self._torn = writer, journal.torn
            if journal.header is None:
                writer.append(header)
            dropped = 0 if journal.torn is None else journal.torn.n_bytes
            writer.append(Resumed(t=elapsed, at=utc_now(), dropped=dropped))
        except BaseException:
            writer.close()
            raise
        return self

    def _replay(self, journal: Journal) -> None:
        assert self._teacher is not None
        for record in journal.records:
            if isinstance(record, Learnt):
                self._teacher.remember(record.lesson, record.learner, record.token)
            elif not isinstance(record, Resumed):
                self._state, _ = apply(self._state, record, self._reader.settings)

    # ---- what is kept ----

    @property
    def private(self) -> bool:
        """Whether nothing is kept of this session."""
        return self._private

    @property
    def journal_path(self) -> Path | None:
        """Where the session is kept; None where it is not."""
        return None if self._journal is None else self._journal.path

    @property
    def torn(self) -> Torn | None:
        """The line a crash had cut short, where the session was restored and there was one."""
        return self._torn

    @property
    def learn_fault(self) -> NearkeyError | None:
        """The last error of a store that could not learn; typing went on regardless."""
        return None if self._teacher is None else self._teacher.fault

    def __repr__(self) -> str:
        # No text: representations end up in logs.
        kept = "private" if self._private else f"journal={self.journal_path}"
        return f"<Session on {self._reader.decoder.layout.name!r}, {kept}>"

    # ---- verbs ----

    def tap(self, x: float, y: float, time_s: float | None = None) -> bool:
        """A touch, in layout units; on a function key it does what that key does.

        Raises DecodeError for a place that is no number.
        """
        try:
            place = float(x), float(y)
        except (TypeError, ValueError):
            raise DecodeError(
                f"({x!r}, {y!r}) is no place", where="tap", field="x, y", fix="give two numbers"
            ) from None
        return self.do(ev.Tap(*place, self._time(time_s)))

    def accept(self, rank: int = 0, *, time_s: float | None = None) -> bool:
        """Choose a candidate. The next letter touched commits it, with a space."""
        return self.do(ev.Accept(rank, self._time(time_s)))

    def commit(self, *, time_s: float | None = None) -> bool:
        """The word in the making becomes text, with a space: the accepted, else the first candidate."""
        return self.do(ev.Commit(self._time(time_s)))

    def space(self, *, time_s: float | None = None) -> bool:
        """The space key: commits, or where no word is in the making makes a space."""
        return self.do(ev.Space(self._time(time_s)))

    def mark(self, text: str, *, time_s: float | None = None) -> bool:
        """A punctuation mark; attaches by the spacing rules."""
        return self.do(ev.Mark(text, self._time(time_s)))

    def insert(self, text: str, *, time_s: float | None = None) -> bool:
        """Text as it is, at the cursor."""
        return self.do(ev.Insert(text, self._time(time_s)))

    def delete(self, *, time_s: float | None = None) -> bool:
        """The delete key: the last touch; without one, the word before opens again."""
        return self.do(ev.Delete(self._time(time_s)))

    def undo(self, *, time_s: float | None = None) -> bool:
        """Take the last event back, and what was learnt from it."""
        return self.do(ev.Undo(self._time(time_s)))

    def redo(self, *, time_s: float | None = None) -> bool:
        """Do again what was taken back."""
        return self.do(ev.Redo(self._time(time_s)))

    def shift(
        self, mode: Literal["", "upper", "lower"] | None = None, *, time_s: float | None = None
    ) -> bool:
        """The next letter: a capital, small, or ("") as the decoder writes it; None steps on."""
        return self.do(ev.Shift(mode, self._time(time_s)))

    def caps_lock(self, on: bool | None = None, *, time_s: float | None = None) -> bool:
        """Capitals lock on or off; None is the other of the two."""
        return self.do(ev.CapsLock(on, self._time(time_s)))

    def move(self, position: int, *, time_s: float | None = None) -> bool:
        """The cursor to a position in characters; the word in the making becomes text."""
        return self.do(ev.Move(position, self._time(time_s)))

    def move_by(self, n_chars: int, *, time_s: float | None = None) -> bool:
        """The cursor by so many characters, left where negative."""
        return self.move(self.cursor + n_chars, time_s=time_s)

    def reopen(self, *, time_s: float | None = None) -> bool:
        """Open the word under the cursor again, with its touches."""
        return self.do(ev.Reopen(self._time(time_s)))

    def pick(
        self, letter: int | str, *, at: int | None = None, time_s: float | None = None
    ) -> bool:
        """Choose the letter of one touch: its place in `letters(at)`, or the letter itself."""
        return self.do(ev.Pick(letter, at, self._time(time_s)))

    def spell(self, on: bool | None = None, *, time_s: float | None = None) -> bool:
        """Spelling letter by letter on or off: for addresses and words nobody knows."""
        return self.do(ev.Spell(on, self._time(time_s)))

    def add_word(self, word: str, *, time_s: float | None = None) -> bool:
        """A word for the person's store; it is offered from now on.

        False without a store, in a private session, and for a word that is there. Raises the
        store's `NearkeyError` where it is no word.
        """
        return self.do(ev.AddWord(word, self._time(time_s)))

    def clear(self, *, time_s: float | None = None) -> bool:
        """Empty the text, as for a new field or phrase; can be undone."""
        return self.do(ev.Clear(self._time(time_s)))

    def do(self, event: Event) -> bool:
        """Carry out one event."""
        if not math.isfinite(event.time_s):
            raise NearkeyError(
                f"is {event.time_s}", where="session", field="time_s", fix="give seconds"
            )
        old = self._state
        action = decide(old.content, event, self._reader)
        if action is not None:
            state, effects = advance(old, action, self._reader)
            if effects:
                self._carry_out(state, effects)
        if self._observers:
            new = self._state
            if self._private:
                notice = private_notice(event, action, changed=new is not old)
            else:
                notice = notice_of(old, new, event, action, self._reader)
            for observer in self._observers:
                observer(notice)
        return self._state is not old

    # ---- watching ----

    def observe(self, observer: Observer) -> Callable[[], None]:
        """Call `observer` with a `Notice` after every event; the answer ends that.

        Those who record a person's typing need that person's consent.
        """
        self._observers = (*self._observers, observer)

        def stop() -> None:
            self._observers = tuple(o for o in self._observers if o is not observer)

        return stop

    # ---- carrying out ----

    def _carry_out(self, state: State, effects: tuple[Effect, ...]) -> None:
        ops = tuple(effect for effect in effects if isinstance(effect, Op))
        # First what may be refused; then the journal; then the state; learning last, for it must
        # not teach what a crash could take back.
        if ops and self._teacher is not None:
            self._teacher.store_words(ops)
        if self._journal is not None:
            try:
                self._write(self._journal, effects)
            except JournalError:
                if self._teacher is not None:
                    self._teacher.store_words(inverse(ops))
                raise
        self._state = state
        if ops and self._teacher is not None:
            self._teacher.teach(ops)

    def _write(self, journal: JournalWriter, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            if isinstance(effect, Record):
                journal.append(effect.action)
                self._last_time_s = effect.action.t

    def _keep(self, lesson: int, learner: int, token: Token) -> None:
        if self._journal is not None:
            self._journal.append(
                Learnt(t=self._last_time_s, lesson=lesson, learner=learner, token=token)
            )

    def _time(self, time_s: float | None) -> float:
        # Microseconds: what is in the journal is what is in the state.
        return round(self._clock() - self._zero, 6) if time_s is None else float(time_s)

    def close(self) -> None:
        """Let go of the journal; the word in the making stays in it. Closing twice is allowed."""
        if self._journal is not None:
            self._journal.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
