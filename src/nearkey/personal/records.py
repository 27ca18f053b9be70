"""The lines of a store's file, format 1: JSON, one record a line.

A header, a line for every word, a line for every context with the words that followed it: the
snapshot, whose length the header states. Then the tail: what was learnt, taken back or added since,
in order. Only the tail's last line can be torn by a crash.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Annotated, TypeVar

import msgspec

from nearkey.personal.counts import Counts, Lesson, Tally
from nearkey.personal.errors import PersonalError

__all__ = [
    "Saved",
    "added_line",
    "learnt_line",
    "read_records",
    "removed_line",
    "retracted_line",
    "snapshot",
]

FORMAT = "nearkey personal words"
VERSION = 1

# A bound on one line, against a file that is something else.
LONGEST_LINE = 1 << 20

Word = Annotated[str, msgspec.Meta(min_length=1, max_length=100)]
Count = Annotated[int, msgspec.Meta(ge=1)]
Whole = Annotated[int, msgspec.Meta(ge=0)]
Share = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]


class _Version(msgspec.Struct):
    format: str
    version: int


class _Header(msgspec.Struct, forbid_unknown_fields=True):
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


class _Learnt(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True, tag="learnt"):
    serial: Whole
    clock: Whole
    word: Word
    context: Annotated[list[Word], msgspec.Meta(max_length=2)] = []
    weight: Annotated[float, msgspec.Meta(gt=0.0, le=1.0)] = 1.0
    order: Annotated[int, msgspec.Meta(ge=-1, le=2)] = -1
    share: Share = 0.0
    form: str = ""


class _Retracted(msgspec.Struct, forbid_unknown_fields=True, tag="retracted"):
    serial: Whole


class _Added(msgspec.Struct, forbid_unknown_fields=True, tag="added"):
    word: Word
    form: Word


class _Removed(msgspec.Struct, forbid_unknown_fields=True, tag="removed"):
    word: Word


_Tail = _Learnt | _Retracted | _Added | _Removed


@dataclass(slots=True)
class Saved:
    """What a file holds: counts with all lessons applied, those that can still be taken back by
    serial, the next serial, and the number of bytes that are whole records."""

    counts: Counts
    language: str = ""
    recent: dict[int, Lesson] = field(default_factory=dict)
    next_serial: int = 0
    n_tail: int = 0
    n_bytes: int = 0


def _line(record: msgspec.Struct) -> bytes:
    return msgspec.json.encode(record) + b"\n"


def learnt_line(lesson: Lesson) -> bytes:
    return _line(
        _Learnt(
            serial=lesson.serial,
            clock=lesson.clock,
            word=lesson.word,
            context=list(lesson.context),
            weight=lesson.weight,
            order=lesson.order,
            share=lesson.share,
            form=lesson.form,
        )
    )


def retracted_line(serial: int) -> bytes:
    return _line(_Retracted(serial=serial))


def added_line(word: str, form: str) -> bytes:
    return _line(_Added(word=word, form=form))


def removed_line(word: str) -> bytes:
    return _line(_Removed(word=word))


def snapshot(counts: Counts, *, language: str, next_serial: int) -> bytes:
    """Header and counts as lines; words and contexts sorted, so that equal counts give equal bytes."""
    words = sorted(counts.words.keys() | counts.times.keys() | counts.pinned.keys())
    header = _Header(
        format=FORMAT,
        version=VERSION,
        language=language,
        half_life_words=counts.half_life,
        clock=counts.clock,
        base=counts.base,
        next_serial=next_serial,
        words=len(words),
        contexts=len(counts.phrases),
        tallies=[(t.share, t.total) for t in counts.tallies],
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
    return b"".join(lines)


def read_records(data: bytes, *, where: str) -> Saved:
    """Read a file's bytes.

    A last line without its line end is what a crash leaves: it is passed over. Raises
    `PersonalError` naming the line for any other damage, another format, or a newer version.
    """
    lines = _lines(data, where)
    header = _read_header(lines, where)
    counts = Counts(half_life=header.half_life_words, clock=header.clock, base=header.base)
    _check_clock(counts, header.clock, 1, where)
    counts.tallies = tuple(Tally(a, b) for a, b in header.tallies)  # type: ignore[assignment]
    for number, record in _snapshot_part(lines, _WORD, header.words, where):
        if record.word in counts.words or record.word in counts.pinned:
            raise _damaged(where, number, f"word {record.word!r} comes twice")
        _restore_word(counts, record)
    for number, phrases in _snapshot_part(lines, _PHRASES, header.contexts, where):
        context = tuple(phrases.after)
        if context in counts.phrases:
            raise _damaged(where, number, f"context {' '.join(context)!r} comes twice")
        counts.phrases[context] = phrases.next
    saved = Saved(counts, language=header.language, next_serial=header.next_serial)
    for number, line in lines:
        _replay(saved, _decoded(_TAIL, line, number, where), number, where)
    saved.n_bytes = data.rfind(b"\n") + 1
    return saved


_VERSION = msgspec.json.Decoder(_Version)
_HEADER = msgspec.json.Decoder(_Header)
_WORD = msgspec.json.Decoder(_Word)
_PHRASES = msgspec.json.Decoder(_Phrases)
_TAIL = msgspec.json.Decoder(_Tail)

_R = TypeVar("_R")
_Numbered = Iterator[tuple[int, bytes]]


def _lines(data: bytes, where: str) -> _Numbered:
    parts = data.split(b"\n")[:-1]
    for number, line in enumerate(parts, start=1):
        if len(line) > LONGEST_LINE:
            raise _damaged(where, number, "line is too long")
        yield number, line


def _read_header(lines: _Numbered, where: str) -> _Header:
    number, line = next(lines, (1, b""))
    try:
        start = _VERSION.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError):
        start = _Version(format="", version=0)
    if start.format != FORMAT:
        raise PersonalError(
            "is no store of personal words",
            where=where,
            field="line 1",
            fix="check the path; if the store was damaged, restore a copy or move the file away",
        )
    if start.version != VERSION:
        raise PersonalError(
            f"has version {start.version}; this nearkey reads version {VERSION}",
            where=where,
            field="version",
            fix="use the nearkey that wrote it, or a newer one",
        )
    return _decoded(_HEADER, line, number, where)


def _snapshot_part(
    lines: _Numbered, decoder: msgspec.json.Decoder[_R], n: int, where: str
) -> Iterator[tuple[int, _R]]:
    for got in range(n):
        number, line = next(lines, (0, b""))
        if not number:
            raise PersonalError(
                f"ends {n - got} records early",
                where=where,
                field="snapshot",
                fix="restore a copy, or move the file away to start anew",
            )
        yield number, _decoded(decoder, line, number, where)


def _decoded(decoder: msgspec.json.Decoder[_R], line: bytes, number: int, where: str) -> _R:
    try:
        return decoder.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError) as fault:
        raise _damaged(where, number, str(fault)) from None


def _damaged(where: str, number: int, problem: str) -> PersonalError:
    return PersonalError(
        f"damaged: {problem}",
        where=where,
        field=f"line {number}",
        fix="restore a copy, or move the file away to start anew",
    )


def _check_clock(counts: Counts, clock: int, number: int, where: str) -> None:
    if not 0 <= clock - counts.base <= 64 * counts.half_life:
        raise _damaged(where, number, f"clock {clock} does not follow base {counts.base}")


def _restore_word(counts: Counts, record: _Word) -> None:
    if record.count:
        counts.words[record.word] = record.count
    if record.times:
        counts.times[record.word] = record.times
    if record.forms:
        counts.forms[record.word] = record.forms
    if record.added:
        counts.pinned[record.word] = record.added


def _replay(saved: Saved, record: _Tail, number: int, where: str) -> None:
    saved.n_tail += 1
    match record:
        case _Learnt():
            if record.serial in saved.recent:
                raise _damaged(where, number, f"lesson {record.serial} comes twice")
            lesson = Lesson(
                serial=record.serial,
                clock=record.clock,
                word=record.word,
                context=tuple(record.context),
                weight=record.weight,
                order=record.order,
                share=record.share,
                form=record.form,
            )
            _check_clock(saved.counts, lesson.clock, number, where)
            saved.counts.apply(lesson)
            saved.recent[lesson.serial] = lesson
            saved.next_serial = max(saved.next_serial, lesson.serial + 1)
        case _Retracted():
            taken = saved.recent.pop(record.serial, None)
            if taken is None:
                raise _damaged(where, number, f"lesson {record.serial} was not learnt")
            saved.counts.reverse(taken)
        case _Added():
            saved.counts.pinned[record.word] = record.form
        case _Removed():
            saved.counts.pinned.pop(record.word, None)
