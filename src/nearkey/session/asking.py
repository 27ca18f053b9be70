"""Asking the decoder about a content: candidates, letters, marks.

The only part of a session's core that touches a decoder. It keeps its last answers, so a content that
is looked at twice is decoded once; the answers depend on nothing but content, decoder and store.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Any

from nearkey.decode import Candidate
from nearkey.decode.punctuation import marks_on
from nearkey.decode.spelling import spell
from nearkey.layout import Key
from nearkey.session.casing import cased
from nearkey.session.content import Content
from nearkey.session.pieces import Case, Cell, Stroke, tail_text
from nearkey.session.protocols import LiveDecoder
from nearkey.session.settings import Settings

__all__ = ["Asking"]

# Where a decoder knows no marks.
_PLAIN_MARKS = ".,?!"
# Candidates asked for where chosen letters will rule most of them out.
_WIDE = 50


class Asking:
    """The half of a `Reader` that asks. may_add : whether words may be added to the person's store."""

    __slots__ = (
        "_asked",
        "_candidate_keys",
        "_context",
        "_letters_only",
        "_one_letter",
        "_raw",
        "_shaped",
        "_spelled",
        "decoder",
        "may_add",
        "personal",
        "settings",
    )

    def __init__(
        self,
        decoder: LiveDecoder,
        settings: Settings | None = None,
        *,
        personal: Any = None,
        may_add: bool = True,
    ) -> None:
        self.decoder = decoder
        self.settings = settings or Settings()
        self.personal = personal
        self.may_add = may_add
        keys = decoder.layout.keys
        self._letters_only = all(key.role == "letters" for key in keys)
        self._one_letter = all(len(key.letters) == 1 for key in keys if key.role == "letters")
        self._candidate_keys = [key.id for key in keys if key.role == "candidate"]
        self._context: tuple[Cell | None, str] = (None, "")
        self._asked: tuple[Any, ...] = ()
        self._raw: tuple[Candidate, ...] = ()
        self._shaped: tuple[Content | None, Hashable, tuple[Candidate, ...]] = (None, None, ())
        self._spelled: tuple[str, tuple[Stroke, ...], tuple[str, ...]] = ("", (), ())

    def context(self, before: Cell | None) -> str:
        """What the decoder is told of the text before a word."""
        if before is not self._context[0]:
            self._context = (before, tail_text(before, self.settings.context_chars))
        return self._context[1]

    # ---- keys ----

    def key_of(self, x: float, y: float) -> Key | None:
        """The function key or letter key touched; None where the layout has letters alone."""
        return None if self._letters_only else self.decoder.key_at((x, y))

    def candidate_rank(self, key: Key) -> int:
        """Which candidate a key of role candidate stands for: the keys count in layout order."""
        return self._candidate_keys.index(key.id)

    # ---- candidates ----

    def candidates(self, content: Content) -> tuple[Candidate, ...]:
        """The live list for a content, best first, in the case and letters the person chose.

        The first is what a commit would take, unless a reading is held. Predictions where nothing
        is open; nothing where the cursor stands inside a piece.
        """
        version = None if self.personal is None else self.personal.version
        if content is self._shaped[0] and version == self._shaped[1]:
            return self._shaped[2]
        found = tuple(self._candidates(content, version))
        self._shaped = (content, version, found)
        return found

    def _candidates(self, content: Content, version: Hashable) -> Sequence[Candidate]:
        word = content.open
        if word is None:
            if content.offset:
                return ()
            predicted = self._ask((), content, self.settings.k, version)
            return _in_case(predicted, (content.next_case,) if content.next_case else ())
        if content.open_mark:
            return self._mark_candidates(content, word.strokes[0])
        strokes = word.all
        if not strokes:
            return self._ask((), content, self.settings.k, version)
        # One pass: this runs at every touch.
        cases: list[Case] = []
        spelled, picked = content.spell, False
        for stroke in strokes:
            if stroke.role == "letter":
                cases.append(stroke.case)
            elif stroke.role == "mark":
                spelled = True
            if stroke.letter:
                picked = True
        if spelled:
            first = self._spelled_candidate(content)
            if len(cases) < len(strokes):
                return (first,)
            others = self._ask(word.points, content, self.settings.k, version)
            return _first(first, _in_case(others, cases))[: self.settings.k]
        if picked:
            return self._picked(content, cases, version)
        read = self._ask(word.points, content, self.settings.k, version)
        return _in_case(read, cases) or (self._spelled_candidate(content),)

    def _ask(
        self, points: tuple[tuple[float, float], ...], content: Content, k: int, version: Hashable
    ) -> tuple[Candidate, ...]:
        context = self.context(content.before)
        asked = (points, context, k, version)
        if asked != self._asked:
            found = self.decoder.candidates(points, context=context, k=k, personal=self.personal)
            self._raw = tuple(c for c in found if c.text)
            self._asked = asked
        return self._raw

    def _picked(
        self, content: Content, cases: Sequence[Case], version: Hashable
    ) -> Sequence[Candidate]:
        """Readings that agree with the letters chosen, and the string of best letters given those."""
        word = content.open
        assert word is not None
        letters = [s.letter for s in word.all if s.role == "letter"]
        alphabet = self.decoder.layout.letters
        spelled = self._spelled_candidate(content)
        found = self._ask(word.points, content, max(_WIDE, self.settings.k), version)
        agreeing = [c for c in found if _agrees(c, letters, alphabet)]
        mark = word.all[-1].letter if word.all[-1].role == "symbol" else ""
        if mark:
            agreeing = _ended(agreeing, mark)
        if all(letters):
            # Every letter is chosen: that string is the word, not the decoder's guess at it.
            return _first(spelled, _in_case(agreeing, cases))[: self.settings.k]
        room = self.settings.k - 1
        shown = _in_case(agreeing[:room], cases)
        return (*shown, *(() if _has(shown, spelled.text) else (spelled,))) or (spelled,)

    # ---- spelling ----

    def _spelled_candidate(self, content: Content) -> Candidate:
        """The word read touch by touch. Its scores are -inf: nothing was weighed against anything."""
        word = content.open
        assert word is not None
        strokes = word.all
        letters = self._spell(strokes, content)
        text = "".join(
            letter.upper() if stroke.case in ("upper", "lock") else letter
            for stroke, letter in zip(strokes, letters, strict=True)
        )
        low = float("-inf")
        return Candidate(text, "".join(letters), low, low, low, "spelled")

    def _spell(self, strokes: tuple[Stroke, ...], content: Content) -> tuple[str, ...]:
        """The letter of each stroke: the one chosen, else the best after those before it."""
        context = self.context(content.before)
        known_context, known, letters = self._spelled
        n = 0
        if context == known_context:
            while n < min(len(known), len(strokes)) and known[n] == strokes[n]:
                n += 1
        spelled = list(letters[:n])
        for stroke in strokes[n:]:
            spelled.append(stroke.letter or self._best(stroke, "".join(spelled), context) or "?")
        self._spelled = (context, strokes, tuple(spelled))
        return self._spelled[2]

    def _best(self, stroke: Stroke, before: str, context: str) -> str:
        point = stroke.point
        if stroke.role != "letter" or point is None:
            return self.best_mark(context + before, stroke.options)
        if self._one_letter:
            return self.decoder.literal((point,))
        found = self.decoder.letters_at(point, before=before)
        return found[0][0] if found else self.decoder.literal((point,))

    def letters(self, content: Content, at: int | None = None) -> tuple[tuple[str, float], ...]:
        """The letters (or marks) that one touch of the open word may mean, best first, with scores.

        at : the touch, counted from 0; None is the first one without a chosen letter. () where
        there is no such touch.
        """
        at = self.pick_position(content, at)
        if at is None or content.open is None:
            return ()
        stroke = content.open.all[at]
        before = "".join(self._spell(content.open.all, content)[:at])
        point = stroke.point
        if stroke.role != "letter" or point is None:
            return self.marks_after(self.context(content.before) + before, stroke.options)
        return tuple(self.decoder.letters_at(point, before=before))

    def pick_position(self, content: Content, at: int | None) -> int | None:
        """The touch a pick speaks of, or None."""
        if content.open is None:
            return None
        strokes = content.open.all
        if at is not None:
            return at if 0 <= at < len(strokes) and strokes[at].point is not None else None
        return next(
            (i for i, s in enumerate(strokes) if not s.letter and s.point is not None), None
        )

    # ---- marks ----

    def marks_after(self, text: str, options: str = "") -> tuple[tuple[str, float], ...]:
        """Marks that may follow a text, best first, with natural log P; those of `options`, "" being any."""
        found = marks_on([m for m in self.decoder.marks(text) if m[0]], options)
        return tuple(found or ((m, float("-inf")) for m in _PLAIN_MARKS))

    def best_mark(self, text: str, options: str = "") -> str:
        """The most probable mark after a text."""
        return self.marks_after(text, options)[0][0]

    def _mark_candidates(self, content: Content, stroke: Stroke) -> tuple[Candidate, ...]:
        before = content.before
        if before is not None and before.piece.auto:
            before = before.rest
        found = self.marks_after(self.context(before), stroke.options)
        if stroke.letter:
            found = ((stroke.letter, 0.0), *(m for m in found if m[0] != stroke.letter))
        return tuple(Candidate(m, m, p, 0.0, p, "word") for m, p in found[: self.settings.k])


def _in_case(found: Sequence[Candidate], cases: Sequence[Case]) -> tuple[Candidate, ...]:
    if not any(cases):
        return tuple(found)
    return tuple(c._replace(text=cased(c.text, cases)) for c in found)


def _has(found: Sequence[Candidate], text: str) -> bool:
    return any(c.text == text for c in found)


def _first(first: Candidate, others: Sequence[Candidate]) -> tuple[Candidate, ...]:
    return (first, *(c for c in others if c.text != first.text))


def _ended(found: Sequence[Candidate], mark: str) -> list[Candidate]:
    """Readings whose last touch is the mark chosen: an apostrophe inside the word, or in the place of another mark
    after it."""
    out: dict[str, Candidate] = {}
    for c in found:
        if len(c.text) == len(c.word) + 1:
            c = c._replace(text=c.text[:-1] + mark)
        if mark in c.text:
            out.setdefault(c.text, c)
    return list(out.values())


def _agrees(candidate: Candidate, letters: Sequence[str], alphabet: str) -> bool:
    """Whether a reading has the chosen letters ("" is any) at their places."""
    typed = spell(candidate.word.lower(), alphabet)
    if typed is None or len(typed) < len(letters):
        return False
    if len(typed) > len(letters) and candidate.kind != "completion":
        return False
    return all(not letter or letter == have for letter, have in zip(letters, typed, strict=False))
