"""Edits of a content: words and marks put in with the spaces they ask for, words opened again, the cursor. Pure.

The decoder is never asked here: what a composition becomes arrives as a `Resolution`. An edit that can take a word
apart gives the new content, and the observation that no longer holds, if there is one.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Literal

from msgspec.structs import replace

from nearkey.letter_case import lower, upper
from nearkey.session.content import (
    SPACE,
    Case,
    Chain,
    Composition,
    Compressed,
    Content,
    Lesson,
    Piece,
    PieceList,
    Stroke,
    chars,
    first_char,
    last_char,
    move_whole,
    near_expanded,
    push,
    tail_text,
)
from nearkey.session.messages import Observation, Resolution
from nearkey.session.settings import SessionSettings

Ending = Literal["space", "join", "keep"]
"""After a closed word: a space; nothing; or whatever space was shown there."""


# ---- where a composition stands ----


def arrange_word(content: Content, left: str, settings: SessionSettings) -> tuple[bool, bool]:
    """Whether the composition has a space of its own before it, and after it.

    left : the text before it. Under spelling there are no such spaces: what is touched is what is
    written.
    """
    word = content.composition
    if content.spell or word is None:
        return False, False
    spacing = settings.spacing
    lead = not word.settled_left and spacing.lead(left)
    return lead, not word.settled_right and spacing.trail(first_char(content.after))


def arrange_mark(
    content: Content, mark: str, settings: SessionSettings
) -> tuple[PieceList | None, bool]:
    """The pieces before a mark, a space taken away or put there; whether a space comes after it."""
    spacing, before, word = settings.spacing, content.before, content.composition
    if word is None or not word.settled_left:
        bare = before.rest if before is not None and before.item.auto else before
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


def _ends_open(before: PieceList | None, mark: str, settings: SessionSettings) -> bool:
    """Whether a space may follow a mark."""
    left = tail_text(before, settings.context_chars) + mark[:-1]
    return settings.spacing.attach(mark[-1], left) in ("closer", "spaced")


# ---- closing ----


def close_composition(
    content: Content,
    close: Resolution,
    ending: Ending,
    settings: SessionSettings,
    serial: int,
) -> tuple[Content, Observation | None]:
    """The composition becomes a piece of the text; the observation of it, numbered `serial`."""
    word = content.composition
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
    learnt = any(map(str.isalpha, close.text))
    lesson = Lesson(serial, left, close.explicit) if learnt else None
    piece = Piece(close.text, "word", strokes, close.word, close.kind, lesson=lesson)
    closed = replace(content, before=push(before, piece), composition=None)
    if close.marks:
        after_marks: Ending = "space" if ending == "space" else "join"
        closed = place_mark(closed, close.marks, after_marks, settings, strokes=of_marks)
    elif ending == "space":
        closed = end_space(closed, settings)
    if ending == "keep" and trail:
        closed = replace(closed, after=push(closed.after, SPACE))
    return closed, piece.observation


def end_space(content: Content, settings: SessionSettings) -> Content:
    """A space after what stands before the cursor: one is made, or one that is there stepped over."""
    after = content.after
    char = first_char(after)
    if after is not None and char.isspace() and char not in "\n\r":
        head, rest = after.item, after.rest
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
    settings: SessionSettings,
    *,
    strokes: tuple[Stroke, ...] = (),
) -> Content:
    """Put a mark at the cursor, with the spaces it asks for; the composition is taken to be that mark."""
    before, trail = arrange_mark(content, mark, settings)
    may_end = ending == "space" and _ends_open(before, mark, settings)
    placed = replace(content, before=push(before, Piece(mark, "mark", strokes)), composition=None)
    if may_end:
        return end_space(placed, settings)
    if ending == "keep" and trail:
        return replace(placed, after=push(placed.after, SPACE))
    return placed


# ---- touches and characters ----


def caret_char(text: str, n_before: int, n_strokes: int) -> int:
    """The position in a word's text after so many of its strokes.

    Strokes are matched with characters where their numbers agree, else with letters and digits:
    apostrophes may have got no touch.
    """
    if n_strokes == len(text):
        return n_before
    seen = 0
    for i, char in enumerate(text):
        if seen == n_before:
            return i
        seen += char.isalnum()
    return len(text)


def _caret_stroke(text: str, offset: int, n_strokes: int) -> int:
    if n_strokes == len(text):
        return offset
    return min(sum(map(str.isalnum, text[:offset])), n_strokes)


# ---- opening again, deleting ----


def reopen(content: Content) -> tuple[Content, Observation | None]:
    """Open the word under the cursor, or else the one it touches; what it taught is taken back."""
    if content.composition is not None:
        return content, None
    before, after = content.before, content.after
    if content.offset and after is not None and after.item.kind == "word":
        caret = _caret_stroke(after.item.text, content.offset, len(after.item.strokes))
        return _opened(content, after.item, before, after.rest, caret)
    if content.offset:
        return content, None
    if before is not None and _opens(before.item):
        return _opened(content, before.item, before.rest, after, len(before.item.strokes))
    if after is not None and after.item.kind == "word":
        return _opened(content, after.item, before, after.rest, 0)
    return content, None


def _opens(piece: Piece) -> bool:
    if piece.kind != "mark":
        return piece.kind == "word"
    # A mark that one touch on a symbol key stands for: the other marks can be chosen again.
    return len(piece.text) == len(piece.strokes) == 1 and piece.strokes[0].role == "symbol"


def _opened(
    content: Content,
    piece: Piece,
    before: PieceList | None,
    after: PieceList | None,
    caret: int,
    *,
    apart: bool = False,
) -> tuple[Content, Observation | None]:
    """apart : there was a space after the piece, and the next word is to stay apart from it."""
    # A word that goes on after its touches cannot be continued by one: it stays chosen as a whole.
    whole = not piece.strokes or piece.source in ("completion", "prediction")
    explicit = piece.lesson is not None and piece.lesson.explicit
    locked = Resolution(text=piece.text, word=piece.word, kind=piece.source, explicit=explicit)
    accepted = whole and piece.kind == "word"
    word = Composition(
        piece.strokes[:caret], piece.strokes[caret:], locked, accepted, True, not apart
    )
    opened = replace(content, before=before, after=after, offset=0, composition=word)
    return opened, piece.observation


def delete_char(content: Content) -> tuple[Content, Observation | None]:
    """Delete without a composition: a space the rules put there and then the word before it opens."""
    if content.offset:
        return _delete_inside(content)
    before = content.before
    if before is None:
        return content, None
    if before.item.auto:
        rest = before.rest
        if rest is not None and _opens(rest.item):
            caret = len(rest.item.strokes)
            return _opened(content, rest.item, rest.rest, content.after, caret, apart=True)
        return replace(content, before=rest), None
    if _opens(before.item):
        return reopen(content)
    return replace(content, before=_without_last(before)), before.item.observation


def _delete_inside(content: Content) -> tuple[Content, Observation | None]:
    after = content.after
    if after is not None and after.item.kind == "word" and after.item.strokes:
        return reopen(content)
    content, observation = split_at_cursor(content)
    if content.before is not None:
        content = replace(content, before=_without_last(content.before))
    return content, observation


def _without_last(cell: PieceList) -> PieceList | None:
    """The last character goes, and with it the marks that Unicode combines with it."""
    text = cell.item.text
    end = len(text) - 1
    while end > 0 and unicodedata.category(text[end]) in ("Mn", "Mc"):
        end -= 1
    if end == 0:
        return cell.rest
    return push(cell.rest, Piece(text[:end], "text"))


def tidy(content: Content) -> Content:
    """Where a word was deleted whole, one of the two spaces around it goes too."""
    after = content.after
    if after is not None and after.item.auto and last_char(content.before) in ("", " "):
        return replace(content, after=after.rest)
    return content


# ---- the cursor ----


def move_cursor(content: Content, position: int) -> Content:
    """The cursor to a position in characters, without a composition; positions past an end are the end."""
    before: PieceList | Compressed | None = content.before
    after: PieceList | Compressed | None = content.after
    position = max(position, 0)
    while before is not None and before.size > position:
        if isinstance(before, Chain):
            after, before = push(after, before.item), before.behind
        elif chars(before.behind) >= position:
            after, before = move_whole(before, after), before.behind
        else:
            before = before.expanded()
    while after is not None:
        if isinstance(after, Chain):
            if chars(before) + len(after.item.text) > position:
                break
            before, after = push(before, after.item), after.behind
        elif chars(before) + len(after.text) <= position:
            before, after = move_whole(after, before), after.behind
        else:
            after = after.expanded()
    offset = 0 if after is None else position - chars(before)
    return replace(
        content,
        before=near_expanded(before, ahead=False),
        after=near_expanded(after, ahead=True),
        offset=offset,
    )


def split_at_cursor(content: Content) -> tuple[Content, Observation | None]:
    """A piece with the cursor inside becomes two, each with its own touches where they can be distinguished."""
    after, offset = content.after, content.offset
    if not offset or after is None:
        return content, None
    piece = after.item
    lengths = (len(piece.text), sum(map(str.isalnum, piece.text)))
    exact = piece.kind == "word" and len(piece.strokes) in lengths
    caret = _caret_stroke(piece.text, offset, len(piece.strokes)) if exact else 0

    def half(text: str, strokes: tuple[Stroke, ...]) -> Piece:
        if exact and strokes:
            return Piece(text, "word", strokes, text.lower(), "spelled")
        return Piece(text, "text")

    split = replace(
        content,
        before=push(content.before, half(piece.text[:offset], piece.strokes[:caret])),
        after=push(after.rest, half(piece.text[offset:], piece.strokes[caret:])),
        offset=0,
    )
    return split, piece.observation


# ---- capitals ----


def cased(text: str, cases: Sequence[Case], language: str = "") -> str:
    """The text with the case the person asked for; letters nobody spoke of stay as they are.

    cases : one for each letter touched, in order; the i-th speaks of the i-th letter of the text.
        "lower" on the first makes the whole word small. Letters past the last touch (a completion,
        a prediction) follow it where it was typed under capitals lock.
    language : its tag, whose rules of upper and lower case hold.
    """
    if not any(cases):
        return text
    if cases[0] == "lower":
        text = lower(text, language)
    shaped = []
    letter = 0
    for char in text:
        if char.isalnum():
            case: Case = "lock" if cases[-1] == "lock" else ""
            if letter < len(cases):
                case = cases[letter]
            letter += 1
            if case:
                char = (lower if case == "lower" else upper)(char, language)
        shaped.append(char)
    return "".join(shaped)
