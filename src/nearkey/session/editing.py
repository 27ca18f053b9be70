"""Putting words and marks into a text, with the spaces they ask for. Pure.

The decoder is never asked here: what an open word becomes arrives as a `Close`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from nearkey.session.actions import Close
from nearkey.session.content import Content
from nearkey.session.pieces import (
    SPACE,
    Cell,
    Lesson,
    Piece,
    Stroke,
    first_char,
    push,
    tail_text,
)
from nearkey.session.settings import Settings

__all__ = [
    "Ending",
    "arrange_mark",
    "arrange_word",
    "close_open",
    "end_space",
    "place_mark",
]

Ending = Literal["space", "join", "keep"]
"""After a closed word: a space; nothing; or whatever space was shown there."""


# ---- where an open word stands ----


def arrange_word(content: Content, left: str, settings: Settings) -> tuple[bool, bool]:
    """Whether the open word has a space of its own before it, and after it.

    left : the text before it. Under spelling there are no such spaces: what is touched is what is
    written.
    """
    word = content.open
    if content.spell or word is None:
        return False, False
    spacing = settings.spacing
    lead = not word.settled_left and spacing.lead(left)
    return lead, not word.settled_right and spacing.trail(first_char(content.after))


def arrange_mark(content: Content, mark: str, settings: Settings) -> tuple[Cell | None, bool]:
    """The pieces before a mark, a space taken away or put there; whether a space comes after it."""
    spacing, before, word = settings.spacing, content.before, content.open
    if word is None or not word.settled_left:
        bare = before.rest if before is not None and before.piece.auto else before
        attach = spacing.attach(mark[0], tail_text(bare, settings.context_chars))
        if attach in ("closer", "joiner"):
            before = bare
        elif spacing.lead(tail_text(before, settings.context_chars)):
            before = push(before, SPACE)
    trail = (
        word is not None
        and not word.settled_right
        and _ends_open(before, mark, settings)
        and spacing.trail(first_char(content.after))
    )
    return before, trail


def _ends_open(before: Cell | None, mark: str, settings: Settings) -> bool:
    """Whether a space may follow a mark."""
    left = tail_text(before, settings.context_chars) + mark[:-1]
    return settings.spacing.attach(mark[-1], left) in ("closer", "spaced")


# ---- closing ----


def close_open(
    content: Content,
    close: Close,
    ending: Ending,
    settings: Settings,
    serial: int,
) -> tuple[Content, Lesson | None]:
    """The open word becomes a piece of the text; the lesson in it, numbered `serial`."""
    word = content.open
    if word is None:
        return content, None
    strokes = word.all
    if close.mark:
        return place_mark(content, close.text, ending, settings, strokes=strokes), None
    left = tail_text(content.before, settings.context_chars)
    lead, trail = arrange_word(content, left, settings)
    before = push(content.before, SPACE) if lead else content.before
    n_marks = 0
    while n_marks < min(len(close.marks), len(strokes)) and strokes[-1 - n_marks].role != "letter":
        n_marks += 1
    strokes, of_marks = strokes[: len(strokes) - n_marks], strokes[len(strokes) - n_marks :]
    lesson = None
    if any(map(str.isalpha, close.text)):
        lesson = Lesson(
            serial,
            close.word or close.text,
            close.text,
            left,
            tuple(point for stroke in strokes if (point := stroke.point) is not None),
            close.kind,
            close.explicit,
        )
    piece = Piece(close.text, "word", strokes, close.word, close.kind, lesson=lesson)
    closed = replace(content, before=push(before, piece), open=None)
    if close.marks:
        after_marks: Ending = "space" if ending == "space" else "join"
        closed = place_mark(closed, close.marks, after_marks, settings, strokes=of_marks)
    elif ending == "space":
        closed = end_space(closed, settings)
    if ending == "keep" and trail:
        closed = replace(closed, after=push(closed.after, SPACE))
    return closed, lesson


def end_space(content: Content, settings: Settings) -> Content:
    """A space after what stands before the cursor: one is made, or one that is there stepped over."""
    after = content.after
    char = first_char(after)
    if after is not None and char.isspace() and char not in "\n\r":
        head, rest = after.piece, after.rest
        if len(head.text) > 1:
            rest = push(rest, replace(head, text=head.text[1:]))
        # From now on it is the space the rules asked for, and a mark may take it back.
        step = SPACE if char == " " else Piece(char, "text")
        return replace(content, before=push(content.before, step), after=rest)
    if char and settings.spacing.attach(char) == "closer":
        return content
    return replace(content, before=push(content.before, SPACE))


def place_mark(
    content: Content,
    mark: str,
    ending: Ending,
    settings: Settings,
    *,
    strokes: tuple[Stroke, ...] = (),
) -> Content:
    """Put a mark at the cursor, with the spaces it asks for; what is open is taken to be that mark."""
    before, trail = arrange_mark(content, mark, settings)
    may_end = ending == "space" and _ends_open(before, mark, settings)
    placed = replace(content, before=push(before, Piece(mark, "mark", strokes)), open=None)
    if may_end:
        return end_space(placed, settings)
    if ending == "keep" and trail:
        return replace(placed, after=push(placed.after, SPACE))
    return placed
