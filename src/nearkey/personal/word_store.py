"""`WordStore`: a person's counts and the file they are kept in, format 1: JSON, one record a line, append-only.

A header, a line for every word, a line for every context with the words that followed it: the
snapshot, whose length the header states. Then the tail: what was learnt, taken back or added since,
in order. Only the tail's last record can be truncated by a crash.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, TypeVar

import msgspec

from nearkey import schema
from nearkey.append_log import AppendLog, log_lines, read_log
from nearkey.errors import PersonalError
from nearkey.personal.word_counts import (
    WeightEvidence,
    Whole,
    Word,
    WordCounts,
    WordObservation,
    WordSettings,
)

FORMAT = "nearkey personal words"
VERSION = 1

# Bounds against a file that is something else: more than a store of the largest sensible settings needs.
_LONGEST_LINE = 1 << 20
_LARGEST_BYTES = 256 << 20
# Records appended before the file is written anew.
_TAIL = 400
_FIX = "restore a copy, or move the file away to start anew"

Count = Annotated[int, msgspec.Meta(ge=1)]


class _StoreVersion(msgspec.Struct):
    format: str
    version: int


class _StoreHeader(msgspec.Struct, forbid_unknown_fields=True):
    format: str
    version: int
    language: str
    half_life_words: Annotated[float, msgspec.Meta(ge=1.0)]
    clock: Whole
    base: Whole
    next_serial: Whole
    words: Whole
    contexts: Whole
    tallies: Annotated[list[tuple[Whole, Whole]], msgspec.Meta(min_length=3, max_length=3)]


class _Word(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    word: Word
    count: Whole
    times: Whole = 0
    added: str = ""
    forms: dict[Word, Count] = {}


class _Phrases(msgspec.Struct, forbid_unknown_fields=True):
    after: Annotated[list[Word], msgspec.Meta(min_length=1, max_length=2)]
    next: Annotated[dict[Word, Count], msgspec.Meta(min_length=1)]


class Retracted(msgspec.Struct, forbid_unknown_fields=True, tag="retracted"):
    """An observation was taken back."""

    serial: Whole


class Added(msgspec.Struct, forbid_unknown_fields=True, tag="added"):
    """A word was entered by hand, to be written like this."""

    word: Word
    form: Word


class Removed(msgspec.Struct, forbid_unknown_fields=True, tag="removed"):
    """A word entered by hand was taken out."""

    word: Word


TailRecord = WordObservation | Retracted | Added | Removed


class WordStore:
    """A person's counts, the words that can still be taken back, and the file that keeps both, if there is one.

    Parameters
    ----------
    settings : half life, bounds, and how many words can be taken back.
    on_change : called with a word when its counts change, with None when any may have.

    counts : what is known. recent : observations that can be taken back, by serial, the oldest first.
    language : BCP 47 tag or "". next_serial : of the next observation.
    """

    def __init__(
        self, settings: WordSettings, on_change: Callable[[str | None], None] = lambda _: None
    ) -> None:
        self.language = ""
        self.next_serial = 0
        self._settings = settings
        self._on_change = on_change
        self._log: AppendLog | None = None
        # Whether the file holds more than it may: words that were to be forgotten.
        self._owed = False
        self.clear()

    def clear(self) -> None:
        """Empty it, in memory; serials go on, for old ones must not name new observations."""
        self.counts = WordCounts(half_life=self._settings.half_life_words)
        self.recent: dict[int, WordObservation] = {}
        self._n_tail = 0
        self._on_change(None)

    @property
    def path(self) -> Path | None:
        """Where it is kept; None in memory, and where it may only be looked at."""
        return None if self._log is None else self._log.path

    def load(self, path: Path, *, language: str, read_only: bool, fsync: bool) -> None:
        """Take the contents of a file, which is made where there is none; keep it open unless `read_only`.

        A last line without its newline is what a crash leaves: it is passed over, and cut off. Raises
        `PersonalError` naming the line for any other damage, another format, a newer version, or
        another language; and where the file is in use or cannot be read or written.
        """
        if not read_only:
            self._log = AppendLog(path, error=PersonalError, fsync=fsync)
        try:
            self._load(path, language)
        except BaseException:
            self.close()
            raise

    def _load(self, path: Path, language: str) -> None:
        self.language = language
        data = b""
        if path.exists():
            data = read_log(path, PersonalError, largest_bytes=_LARGEST_BYTES)
        if data:
            _StoreReader(data, os.fspath(path)).read_into(self)
        if language and language != self.language:
            raise PersonalError(
                f"holds words of language {self.language!r}, not {language!r}",
                where=os.fspath(path),
                field="language",
                fix="give each language its own file",
            )
        if self._log is not None:
            self._log.resume(data.rfind(b"\n") + 1)
        other_pace = self.counts.half_life != self._settings.half_life_words
        if other_pace:
            self.counts = self.counts.with_half_life(self._settings.half_life_words)
            self.recent = {}  # counted under the old pace: they can no longer be taken back exactly
        self._on_change(None)
        if self._log is not None and (other_pace or not data):
            self.rewrite()

    def apply(self, record: TailRecord) -> None:
        """Carry out one record, in memory. Raises `PersonalError` for one that does not follow."""
        counts = self.counts
        match record:
            case WordObservation(serial=serial):
                if serial in self.recent:
                    raise PersonalError(f"observation {serial} comes twice")
                counts.check_clock(record.clock)
                counts.apply(record)
                self.recent[serial] = record
                self.next_serial = max(self.next_serial, serial + 1)
                word = record.word
            case Retracted(serial=serial):
                taken = self.recent.pop(serial, None)
                if taken is None:
                    raise PersonalError(f"observation {serial} was not learnt")
                counts.reverse(taken)
                word = taken.word
            case Added(word=word):
                counts.pinned[word] = record.form
            case Removed(word=word):
                counts.pinned.pop(word, None)
        self._n_tail += 1
        self._on_change(word)

    def take(self, record: TailRecord) -> None:
        """Write one record to the file, and carry it out. Raises `PersonalError` where the disk refuses."""
        if self._owed:
            self.rewrite()
        if self._log is not None:
            self._log.append(msgspec.json.encode(record))
        self.apply(record)
        if self._n_tail >= self._settings.undo_words + _TAIL:
            # A full disk must not stop the typing: the records stand in the file as they are, and
            # the rewrite is tried again after as many more.
            with contextlib.suppress(PersonalError):
                self.rewrite()

    def forget(self, word: str) -> bool:
        """Drop a word and every trace of it; whether there was anything. Raises as `take` does."""
        held = self.counts.forget(word)
        trimmed = (observation.without(word) for observation in self.recent.values())
        self.recent = {observation.serial: observation for observation in trimmed if observation}
        # Even where nothing was held: a word learnt and taken back still stands in the tail.
        self.purge()
        return held

    def purge(self) -> None:
        """Write the file anew before anything else is written: it holds what was to go. Raises as `take` does."""
        self._owed = True
        self.rewrite()

    def rewrite(self) -> None:
        """Settle what can no longer be taken back; write the file anew. Raises as `take` does."""
        keep, counts = self._settings.undo_words, self.counts
        recent = list(self.recent.values())[-keep:] if keep else []
        for observation in reversed(recent):
            counts.reverse(observation)
        counts.settle(max_words=self._settings.max_words, max_phrases=self._settings.max_phrases)
        lines = [] if self._log is None else [*self._snapshot(), *map(_line, recent)]
        for observation in recent:
            counts.apply(observation)
        self.recent = {observation.serial: observation for observation in recent}
        self._n_tail = len(recent)
        self._on_change(None)
        if self._log is not None:
            self._log.replace(lines)
        self._owed = False

    def _snapshot(self) -> Iterator[bytes]:
        """Header and counts; words and contexts sorted, so that equal counts give equal bytes."""
        counts = self.counts
        words = sorted(counts.words.keys() | counts.times.keys() | counts.pinned.keys())
        yield _line(
            _StoreHeader(
                format=FORMAT,
                version=VERSION,
                language=self.language,
                half_life_words=counts.half_life,
                clock=counts.clock,
                base=counts.base,
                next_serial=self.next_serial,
                words=len(words),
                contexts=len(counts.phrases),
                tallies=[(e.responsibility, e.total) for e in counts.evidence],
            )
        )
        for word in words:
            yield _line(
                _Word(
                    word=word,
                    count=counts.words.get(word, 0),
                    times=counts.times.get(word, 0),
                    added=counts.pinned.get(word, ""),
                    forms=counts.forms.get(word, {}),
                )
            )
        for context, followers in sorted(counts.phrases.items()):
            yield _line(_Phrases(after=list(context), next=dict(sorted(followers.items()))))

    def close(self) -> None:
        """Let go of the file."""
        if self._log is not None:
            self._log.close()


def _line(record: msgspec.Struct) -> bytes:
    return msgspec.json.encode(record) + b"\n"


# ---- reading ----


_R = TypeVar("_R")
_VERSION = msgspec.json.Decoder(_StoreVersion)
_HEADER = msgspec.json.Decoder(_StoreHeader)
_WORD = msgspec.json.Decoder(_Word)
_PHRASES = msgspec.json.Decoder(_Phrases)
_TAIL_RECORD: msgspec.json.Decoder[TailRecord] = msgspec.json.Decoder(TailRecord)


class _StoreReader:
    """Reads one file's bytes, line by line; knows which line it is at."""

    def __init__(self, data: bytes, where: str) -> None:
        self._lines = (line for line in log_lines(data) if line.ended)
        self._where = where
        self._number = 0

    def read_into(self, store: WordStore) -> None:
        try:
            header = self._header()
            counts = WordCounts(header.half_life_words, header.clock, header.base)
            counts.evidence = tuple(WeightEvidence(a, b) for a, b in header.tallies)
            store.counts, store.next_serial = counts, header.next_serial
            store.language = header.language or store.language
            counts.check_clock(header.clock)
            for left in range(header.words, 0, -1):
                _restore_word(counts, self._record(_WORD, left))
            for left in range(header.contexts, 0, -1):
                phrases = self._record(_PHRASES, left)
                context = tuple(phrases.after)
                if context in counts.phrases:
                    raise PersonalError(f"context {' '.join(context)!r} comes twice")
                counts.phrases[context] = phrases.next
            while (line := self._line()) is not None:
                store.apply(schema.decode(line, _TAIL_RECORD, error=PersonalError))
        except PersonalError as fault:
            if fault.where is not None:
                raise
            place = f"line {self._number}, {fault.field}" if fault.field else f"line {self._number}"
            raise PersonalError(
                f"damaged: {fault.problem}", where=self._where, field=place, fix=_FIX
            ) from None

    def _line(self) -> bytes | None:
        line = next(self._lines, None)
        if line is None:
            return None
        self._number = line.number
        if len(line.data) > _LONGEST_LINE:
            raise PersonalError("line is too long")
        return line.data

    def _record(self, decoder: msgspec.json.Decoder[_R], left: int) -> _R:
        """A line of the snapshot, of which `left` are still to come."""
        line = self._line()
        if line is None:
            raise PersonalError(
                f"ends {left} records early", where=self._where, field="snapshot", fix=_FIX
            )
        return schema.decode(line, decoder, error=PersonalError)

    def _header(self) -> _StoreHeader:
        line = self._line() or b""
        try:
            start = _VERSION.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            start = _StoreVersion(format="", version=0)
        if start.format != FORMAT:
            raise PersonalError(
                "is no store of personal words",
                where=self._where,
                field="line 1",
                fix="check the path; if the store was damaged, restore a copy or move the file away",
            )
        if start.version != VERSION:
            raise PersonalError(
                f"has version {start.version}; this nearkey reads version {VERSION}",
                where=self._where,
                field="version",
                fix="use the nearkey that wrote it, or a newer one",
            )
        return schema.decode(line, _HEADER, error=PersonalError)


def _restore_word(counts: WordCounts, record: _Word) -> None:
    word = record.word
    if word in counts.words or word in counts.pinned:
        raise PersonalError(f"word {word!r} comes twice")
    if record.count:
        counts.words[word] = record.count
    if record.times:
        counts.times[word] = record.times
    if record.forms:
        counts.forms[word] = record.forms
    if record.added:
        counts.pinned[word] = record.added
