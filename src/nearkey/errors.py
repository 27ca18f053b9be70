"""What nearkey raises when input is wrong: one line that names the place, the field and the fix."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

_LONGEST = 299


def harmless(text: str) -> str:
    """Text from outside as a terminal may show it: what would steer it, or turn the text around, is escaped."""
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() or c in "\n\t" else c.encode("unicode_escape").decode() for c in text
    )


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else f"{text[: max(length - 1, 0)]}…"


class NearkeyError(ValueError):
    """Base of every error raised for bad input.

    Parameters
    ----------
    problem : what is wrong, in a few words.
    where : the file, or the argument, that holds the fault.
    field : the field, key, row or byte inside `where`.
    fix : what the person can do about it.

    The message is always one line: ``where: field: problem; fix``. It is shorter than 300 characters, so that what
    stands in a file cannot fill a terminal or a log, and holds no control characters; the attributes hold it all.
    """

    def __init__(
        self,
        problem: str,
        *,
        where: str | os.PathLike[str] | None = None,
        field: str | None = None,
        fix: str | None = None,
    ) -> None:
        self.problem = problem
        self.where = None if where is None else os.fspath(where)
        self.field = field
        self.fix = fix
        super().__init__(problem)

    def __str__(self) -> str:
        parts = [" ".join(part.split()) for part in (self.where, self.field, self.problem) if part]
        text, fix = harmless(": ".join(parts)), harmless(" ".join((self.fix or "").split()))
        if len(text) + len(fix) > _LONGEST - 2:
            fix = _cut(fix, max(120, _LONGEST - 2 - len(text)))
            text = _cut(text, _LONGEST - 2 - len(fix))
        return f"{text}; {fix}" if fix else text

    def at(self, where: str | os.PathLike[str]) -> NearkeyError:
        """The same error, placed in a file: for callers that know the file's name."""
        return type(self)(self.problem, where=where, field=self.field, fix=self.fix)


@contextmanager
def placed(
    where: str | os.PathLike[str] | None = None,
    *,
    field: str | None = None,
    error: type[NearkeyError] | None = None,
) -> Iterator[None]:
    """Errors raised in the block get the place that only the caller knows; those that name a file keep theirs.

    where : the file. field : what holds their field, which is not written twice where they name it in full.
    error : what they are raised as, whatever file they name.
    """
    try:
        yield
    except NearkeyError as fault:
        if fault.where and error is None:
            raise
        inner = (fault.field or "").removeprefix(f"{field}.")
        named = ".".join(name for name in (field, inner) if name) or None
        kind = error or type(fault)
        raise kind(fault.problem, where=where, field=named, fix=fault.fix) from None


class LayoutError(NearkeyError):
    """A layout spec, or a request for grids of it, cannot be met."""


class TouchDataError(NearkeyError):
    """A touch log is damaged, empty, or does not fit the layout."""


class TouchModelError(NearkeyError):
    """A touch model's parameters or its file are not usable."""


class PackError(NearkeyError):
    """A language pack is missing, damaged, or of a format this version cannot read."""


class DecodeError(NearkeyError):
    """Touches, context or options given to the decoder are not usable."""


class PlanError(NearkeyError):
    """A ranking or study plan cannot be carried out as written."""


class StudyLogError(NearkeyError):
    """A study log is damaged or breaks its own schema."""


class JournalError(NearkeyError):
    """A session journal is damaged before its last complete line."""


class PersonalError(NearkeyError):
    """A person's store is damaged, in use, read-only, or asked for something it cannot do."""
