"""Opening words again, deleting, and the cursor. Pure.

Each edit gives the new content, and the lesson that no longer holds, if there is one.
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from nearkey.session.content import Content, Held, Open
from nearkey.session.pieces import Cell, Lesson, Piece, chars, last_char, push

__all__ = ["caret_char", "delete_char", "move_cursor", "reopen", "split_at_cursor", "tidy"]


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


def reopen(content: Content) -> tuple[Content, Lesson | None]:
    """Open the word under the cursor, or else the one it touches; what it taught is taken back."""
    if content.open is not None:
        return content, None
    before, after = content.before, content.after
    if content.offset and after is not None and after.piece.kind == "word":
        caret = _caret_stroke(after.piece.text, content.offset, len(after.piece.strokes))
        return _opened(content, after.piece, before, after.rest, caret)
    if content.offset:
        return content, None
    if before is not None and _opens(before.piece):
        return _opened(content, before.piece, before.rest, after, len(before.piece.strokes))
    if after is not None and after.piece.kind == "word":
        return _opened(content, after.piece, before, after.rest, 0)
    return content, None


def _opens(piece: Piece) -> bool:
    if piece.kind != "mark":
        return piece.kind == "word"
    # A mark that one touch on a symbol key stands for: the other marks can be chosen again.
    return len(piece.text) == len(piece.strokes) == 1 and piece.strokes[0].role == "symbol"


def _opened(
    content: Content,
    piece: Piece,
    before: Cell | None,
    after: Cell | None,
    caret: int,
    *,
    apart: bool = False,
) -> tuple[Content, Lesson | None]:
    """apart : there was a space after the piece, and the next word is to stay apart from it."""
    # A word that goes on after its touches cannot be continued by one: it stays chosen as a whole.
    whole = not piece.strokes or piece.source in ("completion", "prediction")
    explicit = piece.lesson is not None and piece.lesson.explicit
    held = Held(
        piece.text,
        piece.word,
        piece.source,
        accepted=whole and piece.kind == "word",
        explicit=explicit,
    )
    word = Open(piece.strokes[:caret], piece.strokes[caret:], held, True, not apart)
    opened = replace(content, before=before, after=after, offset=0, open=word)
    return opened, piece.lesson


def delete_char(content: Content) -> tuple[Content, Lesson | None]:
    """Delete with nothing open: a space the rules put there and then the word before it opens."""
    if content.offset:
        return _delete_inside(content)
    before = content.before
    if before is None:
        return content, None
    if before.piece.auto:
        rest = before.rest
        if rest is not None and _opens(rest.piece):
            caret = len(rest.piece.strokes)
            return _opened(content, rest.piece, rest.rest, content.after, caret, apart=True)
        return replace(content, before=rest), None
    if _opens(before.piece):
        return reopen(content)
    return replace(content, before=_without_last(before)), before.piece.lesson


def _delete_inside(content: Content) -> tuple[Content, Lesson | None]:
    after = content.after
    if after is not None and after.piece.kind == "word" and after.piece.strokes:
        return reopen(content)
    content, lesson = split_at_cursor(content)
    if content.before is not None:
        content = replace(content, before=_without_last(content.before))
    return content, lesson


def _without_last(cell: Cell) -> Cell | None:
    """The last character goes, and with it the marks that Unicode combines with it."""
    text = cell.piece.text
    end = len(text) - 1
    while end > 0 and unicodedata.combining(text[end]):
        end -= 1
    if end == 0:
        return cell.rest
    return push(cell.rest, Piece(text[:end], "text"))


def tidy(content: Content) -> Content:
    """Where a word was deleted whole, one of the two spaces around it goes too."""
    after = content.after
    if after is not None and after.piece.auto and last_char(content.before) in ("", " "):
        return replace(content, after=after.rest)
    return content


# ---- the cursor ----


def move_cursor(content: Content, position: int) -> Content:
    """The cursor to a position in characters, nothing being open; positions past an end are the end."""
    before, after = content.before, content.after
    position = max(position, 0)
    while before is not None and before.n_chars > position:
        after = push(after, before.piece)
        before = before.rest
    while after is not None and chars(before) + len(after.piece.text) <= position:
        before = push(before, after.piece)
        after = after.rest
    offset = 0 if after is None else position - chars(before)
    return replace(content, before=before, after=after, offset=offset)


def split_at_cursor(content: Content) -> tuple[Content, Lesson | None]:
    """A piece with the cursor inside becomes two, each with its own touches where they can be told apart."""
    after, offset = content.after, content.offset
    if not offset or after is None:
        return content, None
    piece = after.piece
    halves: list[Piece] = []
    lengths = (len(piece.text), sum(map(str.isalnum, piece.text)))
    exact = piece.kind == "word" and len(piece.strokes) in lengths
    caret = _caret_stroke(piece.text, offset, len(piece.strokes)) if exact else 0
    for text, strokes in (
        (piece.text[:offset], piece.strokes[:caret]),
        (piece.text[offset:], piece.strokes[caret:]),
    ):
        if exact and strokes:
            halves.append(Piece(text, "word", strokes, text.lower(), "spelled"))
        else:
            halves.append(Piece(text, "text"))
    split = replace(
        content,
        before=push(content.before, halves[0]),
        after=push(after.rest, halves[1]),
        offset=0,
    )
    return split, piece.lesson
