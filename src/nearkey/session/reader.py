"""Reading a content: what the open word would become, and how the text looks with it."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

from nearkey.decode import Candidate
from nearkey.session.actions import Close
from nearkey.session.asking import Asking
from nearkey.session.content import Content
from nearkey.session.editing import arrange_mark, arrange_word
from nearkey.session.opening import caret_char
from nearkey.session.pieces import Cell, chars, text_after, text_before
from nearkey.session.protocols import LiveDecoder
from nearkey.session.settings import Settings

__all__ = ["Reader"]


class Reader(Asking):
    """A decoder, seen through the settings of one session and a person's store.

    It is all that `step` needs beside a state. It keeps its last answers, which depend on nothing
    but content, decoder and store; one thread at a time.
    """

    __slots__ = ("_texts", "_viewed")

    def __init__(
        self,
        decoder: LiveDecoder,
        settings: Settings | None = None,
        *,
        personal: Any = None,
        may_add: bool = True,
    ) -> None:
        super().__init__(decoder, settings, personal=personal, may_add=may_add)
        self._viewed: tuple[Content | None, Hashable, tuple[str, int]] = (None, None, ("", 0))
        self._texts: tuple[tuple[Cell | None, str], tuple[Cell | None, str]] = (
            (None, ""),
            (None, ""),
        )

    def close(self, content: Content) -> Close | None:
        """What a commit makes of the open word; None where nothing is open."""
        word = content.open
        if word is None:
            return None
        is_mark = content.open_mark
        if word.held is not None:
            held = word.held
            return Close(
                text=held.text,
                word=held.word,
                kind=held.kind,
                marks=held.marks,
                rank=held.rank,
                explicit=held.explicit,
                mark=is_mark,
            )
        first = self.candidates(content)[0]
        explicit = content.spell or word.picked
        return self.as_close(first, rank=0, explicit=explicit, mark=is_mark)

    def as_close(self, candidate: Candidate, *, rank: int, explicit: bool, mark: bool) -> Close:
        """A candidate as an outcome: marks that stand after the word are told apart from it."""
        text, word = candidate.text, candidate.word
        n = len(text) if mark else self._stem(candidate)
        return Close(
            text=text[:n],
            word=word[: len(word) - len(text) + n] if candidate.kind == "spelled" else word,
            kind=candidate.kind,
            marks=text[n:],
            rank=rank,
            explicit=explicit,
            mark=mark,
        )

    def _stem(self, candidate: Candidate) -> int:
        """How many characters of a candidate's text are the word itself."""
        text, word, spacing = candidate.text, candidate.word, self.settings.spacing
        n = len(word)
        if candidate.kind == "spelled":
            # Full stops inside an address are its own; those at its end belong to the sentence.
            n = len(text)
            while n and spacing.attach(text[n - 1]) == "closer":
                n -= 1
            return n or len(text)
        if 0 < n < len(text) and text[:n].casefold() == word.casefold():
            return n if all(map(spacing.is_mark, text[n:])) else len(text)
        return len(text)

    def shown(self, content: Content) -> str:
        """The open word as it stands in the text now; "" where nothing is open."""
        word = content.open
        if word is None:
            return ""
        if word.held is not None:
            return word.held.text + word.held.marks
        return self.candidates(content)[0].text

    def view(self, content: Content) -> tuple[str, int]:
        """The text and the cursor's position in it, in characters."""
        version = None if self.personal is None else self.personal.version
        if content is not self._viewed[0] or version != self._viewed[1]:
            self._viewed = (content, version, self._view(content))
        return self._viewed[2]

    def _view(self, content: Content) -> tuple[str, int]:
        word = content.open
        if word is None:
            text = self._before(content.before) + self._after(content.after)
            return text, chars(content.before) + content.offset
        shown = self.shown(content)
        if content.open_mark:
            before, trail = arrange_mark(content, shown, self.settings)
            left = self._before(before) + shown
            return left + (" " if trail else "") + self._after(content.after), len(left)
        lead, trail = arrange_word(content, self.context(content.before), self.settings)
        left = self._before(content.before) + (" " if lead else "")
        n_before, n_after = len(word.strokes), len(word.tail)
        caret = caret_char(shown, n_before, n_before + n_after) if n_after else len(shown)
        right = shown + (" " if trail else "") + self._after(content.after)
        return left + right, len(left) + caret

    def _before(self, cell: Cell | None) -> str:
        known, text = self._texts[0]
        if cell is not known:
            if cell is not None and cell.rest is known:
                text += cell.piece.text
            elif cell is not None and cell.rest is not None and cell.rest.rest is known:
                text += cell.rest.piece.text + cell.piece.text
            else:
                text = text_before(cell)
            self._texts = ((cell, text), self._texts[1])
        return text

    def _after(self, cell: Cell | None) -> str:
        known, text = self._texts[1]
        if cell is not known:
            text = text_after(cell)
            self._texts = (self._texts[0], (cell, text))
        return text
