"""The file of a store of words, format 1: JSON, one record a line, in an append-only log.

A header, a line for every word, a line for every context with the words that followed it: the
snapshot, whose length the header states. Then the tail: what was learnt, taken back or added since,
in order. Only the tail's last record can be truncated by a crash.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, TypeVar

import msgspec

from nearkey import schema
from nearkey.append_log import log_lines, read_log
from nearkey.errors import PersonalError
from nearkey.personal.word_counts import (
    WeightEvidence,
    Whole,
    Word,
    WordCounts,
    WordObservation,
)

__all__ = ["Added", "Removed", "Retracted", "SavedWords", "read_store", "snapshot"]

FORMAT = "nearkey personal words"
VERSION = 1

# Bounds against a file that is something else: more than a store of the largest sensible settings needs.
_LONGEST_LINE = 1 << 20
_LARGEST_BYTES = 256 << 20
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


@dataclass(slots=True)
class SavedWords:
    """What a file holds: counts with all observations applied, those that can still be taken back by
    serial, the next serial, and the number of bytes that are whole records."""

    counts: WordCounts
    language: str = ""
    recent: dict[int, WordObservation] = field(default_factory=dict)
    next_serial: int = 0
    n_tail: int = 0
    n_bytes: int = 0


def _line(record: msgspec.Struct) -> bytes:
    return msgspec.json.encode(record) + b"\n"


def snapshot(
    counts: WordCounts, recent: Iterable[WordObservation], *, language: str, next_serial: int
) -> bytes:
    """A file's contents: header and counts, then the observations that may yet be taken back.

    counts : without those observations. Words and contexts are sorted, so that equal counts give equal bytes.
    """
    words = sorted(counts.words.keys() | counts.times.keys() | counts.pinned.keys())
    header = _StoreHeader(
        format=FORMAT,
        version=VERSION,
        language=language,
        half_life_words=counts.half_life,
        clock=counts.clock,
        base=counts.base,
        next_serial=next_serial,
        words=len(words),
        contexts=len(counts.phrases),
        tallies=[(e.responsibility, e.total) for e in counts.evidence],
    )
    lines = [_line(header)]
    lines += (
        _line(
            _Word(
                word=w,
                count=counts.words.get(w, 0),
                times=counts.times.get(w, 0),
                added=counts.pinned.get(w, ""),
                forms=counts.forms.get(w, {}),
            )
        )
        for w in words
    )
    lines += (
        _line(_Phrases(after=list(context), next=dict(sorted(followers.items()))))
        for context, followers in sorted(counts.phrases.items())
    )
    lines += map(_line, recent)
    return b"".join(lines)


# ---- the file ----


def read_store(path: Path) -> SavedWords | None:
    """What a store's file holds; None where there is no file, or nothing in it.

    A last line without its newline is what a crash leaves: it is passed over. Raises `PersonalError`
    naming the line for any other damage, another format, or a newer version.
    """
    if not path.exists():
        return None
    data = read_log(path, PersonalError, largest_bytes=_LARGEST_BYTES)
    return _StoreReader(data, os.fspath(path)).read() if data else None


_R = TypeVar("_R")
_VERSION = msgspec.json.Decoder(_StoreVersion)
_HEADER = msgspec.json.Decoder(_StoreHeader)
_WORD = msgspec.json.Decoder(_Word)
_PHRASES = msgspec.json.Decoder(_Phrases)
_TAIL: msgspec.json.Decoder[TailRecord] = msgspec.json.Decoder(TailRecord)


class _StoreReader:
    """Reads one file's bytes, line by line; knows which line it is at."""

    def __init__(self, data: bytes, where: str) -> None:
        self._lines = (line for line in log_lines(data) if line.ended)
        self._n_bytes = data.rfind(b"\n") + 1
        self._where = where
        self._number = 0

    def read(self) -> SavedWords:
        header = self._header()
        counts = WordCounts(half_life=header.half_life_words, clock=header.clock, base=header.base)
        self._check_clock(counts, header.clock)
        counts.evidence = tuple(WeightEvidence(a, b) for a, b in header.tallies)
        for left in range(header.words, 0, -1):
            self._word(counts, self._record(_WORD, left))
        for left in range(header.contexts, 0, -1):
            phrases = self._record(_PHRASES, left)
            context = tuple(phrases.after)
            if context in counts.phrases:
                raise self._damaged(f"context {' '.join(context)!r} comes twice")
            counts.phrases[context] = phrases.next
        saved = SavedWords(counts, header.language, next_serial=header.next_serial)
        while (line := self._line()) is not None:
            self._replay(saved, self._decoded(_TAIL, line))
        saved.n_bytes = self._n_bytes
        return saved

    def _line(self) -> bytes | None:
        line = next(self._lines, None)
        if line is None:
            return None
        self._number = line.number
        if len(line.data) > _LONGEST_LINE:
            raise self._damaged("line is too long")
        return line.data

    def _record(self, decoder: msgspec.json.Decoder[_R], left: int) -> _R:
        """A line of the snapshot, of which `left` are still to come."""
        line = self._line()
        if line is None:
            raise PersonalError(
                f"ends {left} records early", where=self._where, field="snapshot", fix=_FIX
            )
        return self._decoded(decoder, line)

    def _decoded(self, decoder: msgspec.json.Decoder[_R], line: bytes) -> _R:
        return schema.decode(
            line,
            decoder,
            error=PersonalError,
            where=self._where,
            place=f"line {self._number}",
            explain=lambda _, problem: (f"damaged: {problem}", _FIX),
        )

    def _damaged(self, problem: str) -> PersonalError:
        return PersonalError(
            f"damaged: {problem}", where=self._where, field=f"line {self._number}", fix=_FIX
        )

    def _header(self) -> _StoreHeader:
        line = self._line() or b""
        try:
            start = _VERSION.decode(line)
        except (msgspec.DecodeError, UnicodeDecodeError):
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
        return self._decoded(_HEADER, line)

    def _check_clock(self, counts: WordCounts, clock: int) -> None:
        if not 0 <= clock - counts.base <= 64 * counts.half_life:
            raise self._damaged(f"clock {clock} does not follow base {counts.base}")

    def _word(self, counts: WordCounts, record: _Word) -> None:
        word = record.word
        if word in counts.words or word in counts.pinned:
            raise self._damaged(f"word {word!r} comes twice")
        if record.count:
            counts.words[word] = record.count
        if record.times:
            counts.times[word] = record.times
        if record.forms:
            counts.forms[word] = record.forms
        if record.added:
            counts.pinned[word] = record.added

    def _replay(self, saved: SavedWords, record: TailRecord) -> None:
        saved.n_tail += 1
        match record:
            case WordObservation(serial=serial):
                if serial in saved.recent:
                    raise self._damaged(f"observation {serial} comes twice")
                self._check_clock(saved.counts, record.clock)
                saved.counts.apply(record)
                saved.recent[serial] = record
                saved.next_serial = max(saved.next_serial, serial + 1)
            case Retracted(serial=serial):
                taken = saved.recent.pop(serial, None)
                if taken is None:
                    raise self._damaged(f"observation {serial} was not learnt")
                saved.counts.reverse(taken)
            case Added():
                saved.counts.pinned[record.word] = record.form
            case Removed():
                saved.counts.pinned.pop(record.word, None)
