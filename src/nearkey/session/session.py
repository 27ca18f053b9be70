"""`Session`: the live editor. A thin shell: the core resolves and reduces, this carries out what comes of it."""

from __future__ import annotations

import math
import os
import time
import warnings
from collections.abc import Callable, Sequence
from itertools import chain
from pathlib import Path
from typing import Any, Self

from msgspec.structs import replace

from nearkey.append_log import TruncatedRecord
from nearkey.bounds import shown
from nearkey.closing import Closable
from nearkey.decode import Candidate, LiveDecoder
from nearkey.errors import DecodeError, JournalError, NearkeyError
from nearkey.files import opened
from nearkey.layout import Layout
from nearkey.one_thread import OneThread
from nearkey.session import messages as msg
from nearkey.session.journal import (
    Counted,
    JournalReader,
    JournalWriter,
    Learnt,
    Pieces,
    Resumed,
    Snapshot,
    Taught,
    header_of,
    utc_now,
)
from nearkey.session.learners import Learner, PersonalStore, Updaters
from nearkey.session.messages import Effect, Message, Notice, Point, ShiftMode, StoreEffect
from nearkey.session.reducer import START, State, reduce
from nearkey.session.resolving import notice_of, resolve
from nearkey.session.session_reader import SessionReader
from nearkey.session.settings import SessionSettings, Spacing
from nearkey.session.snapshot import snapshot_records, state_of

Observer = Callable[[Notice], Any]


class Session(Closable):
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
    k, undo_limit, context_chars, spacing, auto_capitals : see `SessionSettings`.
    clock : gives seconds; differences count. `time.monotonic` unless given.

    Every verb returns whether it changed anything. A session belongs to the thread that made it: in another one it
    raises `NearkeyError`, until that one has called `take_over`.

    Raises `JournalError` where the journal exists, is in use or cannot be written, or the session is
    private; a message whose journal line cannot be written is not carried out.

    Cautions. A journal holds private text: keep it where its owner keeps private files, and delete
    it when it has served. Password and other secret fields get ``private=True``. Looking at a small
    surface takes eyes and hands: never while walking, driving, or working at a machine, and no study of
    such use without an ethics review by those responsible where it takes place.
    """

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
        undo_limit: int | None = 1000,
        context_chars: int = 200,
        spacing: Spacing | None = None,
        auto_capitals: bool = True,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if private and journal is not None:
            raise JournalError(
                "a private session keeps no journal",
                where=os.fspath(journal),
                field="journal",
                fix="leave out journal, or private=True",
            )
        self._thread = OneThread("Session", NearkeyError)
        settings = SessionSettings(
            k=k,
            undo_limit=undo_limit,
            context_chars=context_chars,
            spacing=spacing or Spacing(),
            auto_capitals=auto_capitals,
        )
        self._reader = SessionReader(decoder, settings, personal=personal, may_add=not private)
        self._state: State = START
        self._private = private
        self._updaters = None if private else Updaters(personal, learners, decoder, self._keep)
        self._journal: JournalWriter | None = None
        self._truncated: TruncatedRecord | None = None
        self._observers: tuple[Observer, ...] = ()
        self._clock = clock
        self._zero = clock()
        self._last_time_s = 0.0
        if journal is not None:
            self._journal = JournalWriter.begin(journal, header_of(decoder, settings), fsync=fsync)

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

        A last line that a crash cut short is cut off and reported in `truncated`. Settings come from the
        journal. The decoder is not asked: what it had decided stands in the journal, and only the
        composition is read by the decoder given, as live touches are.

        Raises `JournalError` naming file and line where the journal is damaged before its last
        line, and where its touches were made on another layout.
        """
        writer = JournalWriter(path, fsync=fsync, new=False)
        try:
            with opened(path, JournalError) as file:
                reader = JournalReader(file, os.fspath(path))
                header = reader.header or header_of(decoder, SessionSettings())
                if header.layout != decoder.layout.name:
                    raise JournalError(
                        f"is {header.layout!r}, the decoder's is {decoder.layout.name!r}",
                        where=f"{os.fspath(path)}, line 1",
                        field="layout",
                        fix="restore it with a decoder of the same layout",
                    )
                self = cls(
                    decoder,
                    personal=personal,
                    learners=learners,
                    k=header.k,
                    undo_limit=header.undo_limit,
                    context_chars=header.context_chars,
                    spacing=header.spacing,
                    auto_capitals=header.auto_capitals is not False,
                    clock=clock,
                )
                elapsed = self._replay(reader)
            self._zero -= elapsed
            self._last_time_s = elapsed
            writer.resume(reader, header)
            self._journal, self._truncated = writer, reader.truncated
            dropped = 0 if reader.truncated is None else reader.truncated.n_bytes
            writer.append(Resumed(at=utc_now(), dropped=dropped, time_s=elapsed))
        except BaseException:
            writer.close()
            raise
        return self

    def _replay(self, reader: JournalReader) -> float:
        """All that a journal says, done again; the time of its latest record."""
        updaters = self._updaters
        assert updaters is not None
        elapsed = 0.0
        pieces: list[bytes] = []
        for record in reader:
            elapsed = max(elapsed, record.time_s)
            match record:
                case Learnt():
                    updaters.remember(record.observation, record.learner, record.update_id)
                case Taught():
                    for serial, update_id in enumerate(record.ids, start=record.first):
                        updaters.remember(serial, record.learner, update_id)
                case Pieces():
                    pieces.append(record.data)
                case Snapshot():
                    self._state = state_of(record, pieces, f"{reader.where}, snapshot")
                    pieces = []
                case Counted():
                    self._state = replace(self._state, observations=record.observations)
                case Resumed():
                    pass
                case _:
                    self._state, _ = reduce(self._state, record, self._reader.settings)
        return elapsed

    # ---- looking: it changes nothing; the decoder is asked when needed ----

    @property
    def state(self) -> State:
        """The whole state, immutable; see `nearkey.session.step`."""
        return self._state

    @property
    def text(self) -> str:
        """The text, the composition included, as a commit would write it."""
        self._thread.check()
        return self._reader.view(self._state.content)[0]

    @property
    def cursor(self) -> int:
        """The cursor's position in the text, in characters."""
        self._thread.check()
        return self._reader.view(self._state.content)[1]

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """Readings of the composition, best first; predictions where there is none."""
        self._thread.check()
        return self._reader.candidates(self._state.content)

    @property
    def word(self) -> str:
        """The composition as it stands in the text; "" where there is none."""
        self._thread.check()
        return self._reader.shown(self._state.content)

    @property
    def touches(self) -> tuple[Point, ...]:
        """The touches of the composition, in layout units."""
        word = self._state.content.composition
        return () if word is None else word.points

    def letters(self, at: int | None = None) -> tuple[tuple[str, float], ...]:
        """What `pick` chooses from: letters one touch may mean, best first, natural log scores.

        at : the touch, from 0; None is the first without a chosen letter.
        """
        self._thread.check()
        return self._reader.letters(self._state.content, at)

    @property
    def marks(self) -> tuple[tuple[str, float], ...]:
        """Marks that may follow here, best first, with natural log probabilities."""
        self._thread.check()
        content = self._state.content
        before = self._reader.context(content.before)
        return self._reader.marks_after(before + self._reader.shown(content))

    @property
    def shift_mode(self) -> ShiftMode:
        """What shift says about the next letter."""
        mode = self._state.content.shift
        return "" if mode == "lock" else mode

    @property
    def caps(self) -> bool:
        """Whether capitals lock is on."""
        return self._state.content.caps

    @property
    def spelling(self) -> bool:
        """Whether words are spelled letter by letter."""
        return self._state.content.spell

    @property
    def can_undo(self) -> bool:
        """Whether there is a message to take back."""
        return self._state.past is not None

    @property
    def can_redo(self) -> bool:
        """Whether there is a message to do again."""
        return self._state.future is not None

    @property
    def layout(self) -> Layout:
        """The layout that is typed on."""
        return self._reader.decoder.layout

    @property
    def settings(self) -> SessionSettings:
        """What the session runs with."""
        return self._reader.settings

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
    def truncated(self) -> TruncatedRecord | None:
        """The line a crash had cut short, where the session was restored and there was one."""
        return self._truncated

    @property
    def torn(self) -> TruncatedRecord | None:
        """The earlier name of `truncated`."""
        return self._truncated

    @property
    def learn_fault(self) -> NearkeyError | None:
        """The last error of a store that could not learn; typing went on regardless."""
        return None if self._updaters is None else self._updaters.fault

    def __repr__(self) -> str:
        # No text: representations end up in logs.
        kept = "private" if self._private else f"journal={self.journal_path}"
        return f"<Session on {self._reader.decoder.layout.name!r}, {kept}>"

    # ---- verbs ----

    def tap(self, x: float, y: float, time_s: float | None = None) -> bool:
        """A touch, in layout units; on a function key it does what that key does.

        A word has `nearkey.decode.touches.MOST_TOUCHES` touches at most: one more does nothing, so that a
        sensor which is stuck costs no more than a long word. Raises DecodeError for what is no place.
        """
        try:
            place = float(x), float(y)
        except (TypeError, ValueError, OverflowError):
            raise DecodeError(
                f"({shown(x)}, {shown(y)}) is no place",
                where="tap",
                field="x, y",
                fix="give two numbers",
            ) from None
        return self.do(msg.Tap(*place, time_s=self._time(time_s)))

    def accept(self, rank: int = 0, *, time_s: float | None = None) -> bool:
        """Choose a candidate. The next letter touched commits it, with a space."""
        return self.do(msg.Accept(rank, time_s=self._time(time_s)))

    def commit(self, *, time_s: float | None = None) -> bool:
        """The composition becomes text, with a space: the accepted, else the first candidate."""
        return self.do(msg.Commit(time_s=self._time(time_s)))

    def space(self, *, time_s: float | None = None) -> bool:
        """The space key: commits, or without a composition makes a space."""
        return self.do(msg.Space(time_s=self._time(time_s)))

    def mark(self, text: str, *, time_s: float | None = None) -> bool:
        """A punctuation mark; attaches by the spacing rules."""
        return self.do(msg.Mark(text, time_s=self._time(time_s)))

    def insert(self, text: str, *, time_s: float | None = None) -> bool:
        """Text as it is, at the cursor."""
        return self.do(msg.Insert(text, time_s=self._time(time_s)))

    def delete(self, *, time_s: float | None = None) -> bool:
        """The delete key: the last touch; without one, the word before opens again."""
        return self.do(msg.Delete(time_s=self._time(time_s)))

    def undo(self, *, time_s: float | None = None) -> bool:
        """Take the last message back, and what was learnt from it."""
        return self.do(msg.Undo(time_s=self._time(time_s)))

    def redo(self, *, time_s: float | None = None) -> bool:
        """Do again what was taken back."""
        return self.do(msg.Redo(time_s=self._time(time_s)))

    def shift(self, mode: ShiftMode | None = None, *, time_s: float | None = None) -> bool:
        """The next letter: a capital, small, or ("") as the decoder writes it; None steps on."""
        return self.do(msg.Shift(mode, time_s=self._time(time_s)))

    def caps_lock(self, on: bool | None = None, *, time_s: float | None = None) -> bool:
        """Capitals lock on or off; None is the other of the two."""
        return self.do(msg.CapsLock(on, time_s=self._time(time_s)))

    def move(self, position: int, *, time_s: float | None = None) -> bool:
        """The cursor to a position in characters; the composition becomes text."""
        return self.do(msg.Move(position, time_s=self._time(time_s)))

    def move_by(self, n_chars: int, *, time_s: float | None = None) -> bool:
        """The cursor by so many characters, left where negative."""
        return self.move(self.cursor + n_chars, time_s=time_s)

    def reopen(self, *, time_s: float | None = None) -> bool:
        """Open the word under the cursor again, with its touches."""
        return self.do(msg.Reopen(time_s=self._time(time_s)))

    def pick(
        self, letter: int | str, *, at: int | None = None, time_s: float | None = None
    ) -> bool:
        """Choose the letter of one touch: its place in `letters(at)`, or the letter itself."""
        return self.do(msg.Pick(letter, at, time_s=self._time(time_s)))

    def spell(self, on: bool | None = None, *, time_s: float | None = None) -> bool:
        """Spelling letter by letter on or off: for addresses and words nobody knows."""
        return self.do(msg.Spell(on, time_s=self._time(time_s)))

    def add_word(self, word: str, *, time_s: float | None = None) -> bool:
        """A word for the person's store; it is offered from now on.

        False without a store, in a private session, and for a word that is there. Raises the
        store's `NearkeyError` where it is no word.
        """
        return self.do(msg.AddWord(word, time_s=self._time(time_s)))

    def clear(self, *, time_s: float | None = None) -> bool:
        """Empty the text, as for a new field or phrase; can be undone."""
        return self.do(msg.Clear(time_s=self._time(time_s)))

    def do(self, message: Message) -> bool:
        """Carry out one message. Raises `NearkeyError` for a time that is no number, and as `Session` says."""
        self._thread.check()
        if not math.isfinite(message.time_s):
            raise NearkeyError(
                f"is {message.time_s}", where="session", field="time_s", fix="give seconds"
            )
        old = self._state
        resolved = resolve(old.content, message, self._reader)
        if resolved is not None:
            state, effects = reduce(old, resolved, self._reader.settings)
            if effects:
                self._carry_out(state, effects)
        if self._observers:
            notice = notice_of(
                old, self._state, message, resolved, self._reader, private=self._private
            )
            for observer in self._observers:
                observer(notice)
        return self._state is not old

    def prefetch(self) -> None:
        """Ask the decoder what a commit would show, while nobody waits: it then answers the commit at once.

        Changes nothing. For programs that have time between two touches; a context model looks at its whole vocabulary.
        """
        self._thread.check()
        known = self._reader
        # A reader of its own: the session's keeps the last answers it had.
        reader = SessionReader(known.decoder, known.settings, personal=known.personal)
        commit = msg.Commit(time_s=self._last_time_s)
        resolved = resolve(self._state.content, commit, reader)
        if resolved is not None:
            state, _ = reduce(self._state, resolved, reader.settings)
            reader.candidates(state.content)

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
        told = tuple(effect for effect in effects if isinstance(effect, StoreEffect))
        # First what may be refused; then the journal; then the state; learning last, for it must
        # not teach what a crash could take back.
        if told and self._updaters is not None:
            self._updaters.store_words(told)
        if self._journal is not None:
            try:
                for effect in effects:
                    if isinstance(effect, msg.Record):
                        self._journal.append(effect.message)
                        self._last_time_s = effect.message.time_s
            except JournalError:
                if self._updaters is not None:
                    self._updaters.store_words(msg.inverse(told))
                raise
        self._state = state
        if told and self._updaters is not None:
            self._updaters.update(told)
        if self._journal is not None and self._journal.long:
            self._shorten(self._journal)

    def _shorten(self, journal: JournalWriter) -> None:
        """Put a snapshot in the place of a long journal."""
        assert self._updaters is not None
        time_s = self._last_time_s
        taught = (
            Taught(learner=learner, first=first, ids=ids, time_s=time_s)
            for learner, first, ids in self._updaters.known()
        )
        try:
            journal.shorten(chain(snapshot_records(self._state, time_s), taught))
        except JournalError as fault:
            # Nothing is lost: the long journal stays, and typing goes on in it.
            warnings.warn(f"the journal stays long: {fault}", RuntimeWarning, stacklevel=5)

    def _keep(self, observation: int, learner: int, update_id: int | str) -> None:
        if self._journal is not None:
            self._journal.append(
                Learnt(
                    observation=observation,
                    update_id=update_id,
                    learner=learner,
                    time_s=self._last_time_s,
                )
            )

    def _time(self, time_s: float | None) -> float:
        # Microseconds: what is in the journal is what is in the state.
        return round(self._clock() - self._zero, 6) if time_s is None else float(time_s)

    def take_over(self) -> None:
        """From now on the calling thread's own; the one that had it must have finished with it."""
        self._thread.take()

    def close(self) -> None:
        """Let go of the journal; the composition stays in it. Closing twice is allowed."""
        if self._journal is not None:
            self._journal.close()
