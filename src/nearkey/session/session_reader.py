"""Reading a content through a decoder: candidates, letters, marks, and how the text looks with the composition.

The only part of a session's core that asks a decoder anything.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Any

import msgspec

from nearkey.decode import Candidate, LiveDecoder
from nearkey.decode.punctuation import marks_on
from nearkey.decode.spelling import spell
from nearkey.decode.touches import MOST_TOUCHES
from nearkey.layout import Key
from nearkey.letter_case import lower, upper
from nearkey.session.content import (
    Case,
    Chain,
    Content,
    PieceList,
    Stroke,
    chars,
    tail_text,
    text_of,
)
from nearkey.session.editing import arrange_mark, arrange_word, caret_char, cased
from nearkey.session.learners import PersonalStore
from nearkey.session.messages import Resolution
from nearkey.session.settings import SessionSettings

# Where a decoder knows no marks.
_PLAIN_MARKS = ".,?!"
# Candidates asked for where chosen letters will rule most of them out.
_WIDE = 50


class SessionReader:
    """A decoder, seen through the settings of one session and a person's store.

    Parameters
    ----------
    decoder : asked for candidates, letters and marks.
    settings : those of the session; the defaults unless given.
    personal : the person's words, handed to the decoder. may_add : whether words may be added to them.

    It is all that `step` needs beside a state. It keeps its last answers, so a content that is looked at twice is
    decoded once; they depend on nothing but content, decoder and store. One thread at a time.
    """

    def __init__(
        self,
        decoder: LiveDecoder,
        settings: SessionSettings | None = None,
        *,
        personal: PersonalStore | None = None,
        may_add: bool = True,
    ) -> None:
        self.decoder = decoder
        self.settings = settings or SessionSettings()
        self.personal = personal
        self._may_add = may_add
        self._language: str = getattr(decoder, "language", "") or decoder.layout.language
        keys = decoder.layout.keys
        self._letters_only = all(key.role == "letters" for key in keys)
        self._one_letter = all(len(key.letters) == 1 for key in keys if key.role == "letters")
        self._candidate_keys = [key.id for key in keys if key.role == "candidate"]
        self._context: tuple[PieceList | None, str] = (None, "")
        self._told: tuple[PieceList | None, str] = (None, "")
        self._asked: tuple[Any, ...] = ()
        self._raw: tuple[Candidate, ...] = ()
        self._shaped: tuple[Content | None, Hashable, tuple[Candidate, ...]] = (None, None, ())
        self._spelled: tuple[str, tuple[Stroke, ...], tuple[str, ...]] = ("", (), ())
        self._viewed: tuple[Content | None, Hashable, tuple[str, int]] = (None, None, ("", 0))
        self._text_before: tuple[PieceList | None, str] = (None, "")
        self._text_after: tuple[PieceList | None, str] = (None, "")

    def may_add(self, word: str) -> bool:
        """Whether there is a store that this word may be added to."""
        return self._may_add and self.personal is not None and word not in self.personal

    def context(self, before: PieceList | None) -> str:
        """The text near the cursor, for marks and spaces."""
        if before is not self._context[0]:
            self._context = (before, tail_text(before, self.settings.context_chars))
        return self._context[1]

    def told(self, before: PieceList | None) -> str:
        """What the decoder is told of the text before a word.

        Its beginning stays where it is for `context_chars` characters of typing, then moves on by as many: a model that
        remembers reads one word more after each, while it would read all of a text that begins elsewhere.
        """
        if before is not self._told[0]:
            most, size = self.settings.context_chars, chars(before)
            begin = max(size // most - 1, 0) * most
            self._told = (before, tail_text(before, size - begin))
        return self._told[1]

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

        The first is what a commit would take, unless a reading is locked. Predictions where there
        is no composition; nothing where the cursor stands inside a piece.
        """
        version = None if self.personal is None else self.personal.version
        if content is self._shaped[0] and version == self._shaped[1]:
            return self._shaped[2]
        found = tuple(self._candidates(content, version))
        self._shaped = (content, version, found)
        return found

    def _candidates(self, content: Content, version: Hashable) -> Sequence[Candidate]:
        word = content.composition
        if word is None:
            if content.offset:
                return ()
            predicted = self._ask((), content, self.settings.k, version)
            return self._in_case(predicted, (content.next_case,) if content.next_case else ())
        if content.lone_mark:
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
            return _first(first, self._in_case(others, cases))[: self.settings.k]
        if picked:
            return self._picked(content, cases, version)
        read = self._ask(word.points, content, self.settings.k, version)
        return self._in_case(read, cases) or (self._spelled_candidate(content),)

    def _in_case(self, found: Sequence[Candidate], cases: Sequence[Case]) -> tuple[Candidate, ...]:
        if not any(cases):
            return tuple(found)
        return tuple(c._replace(text=cased(c.text, cases, self._language)) for c in found)

    def _ask(
        self, points: tuple[tuple[float, float], ...], content: Content, k: int, version: Hashable
    ) -> tuple[Candidate, ...]:
        if len(points) > MOST_TOUCHES:
            return ()  # of a journal from before there was a limit: it is spelled
        context = self.told(content.before)
        asked = (points, context, k, version)
        if asked != self._asked:
            found = self.decoder.candidates(points, context=context, k=k, personal=self.personal)
            if not self.settings.auto_capitals:
                found = _small(found, self._language)
            self._raw = tuple(c for c in found if c.text)
            self._asked = asked
        return self._raw

    def _picked(
        self, content: Content, cases: Sequence[Case], version: Hashable
    ) -> Sequence[Candidate]:
        """Readings that agree with the letters chosen, and the string of best letters given those."""
        word = content.composition
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
            return _first(spelled, self._in_case(agreeing, cases))[: self.settings.k]
        shown = self._in_case(agreeing[: self.settings.k - 1], cases)
        return shown if any(c.text == spelled.text for c in shown) else (*shown, spelled)

    # ---- spelling ----

    def _spelled_candidate(self, content: Content) -> Candidate:
        """The word read touch by touch. Its scores are -inf: nothing was weighed against anything."""
        word = content.composition
        assert word is not None
        strokes = word.all
        letters = self._spell(strokes, content)
        text = "".join(
            upper(letter, self._language) if stroke.case in ("upper", "lock") else letter
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
        """The letters (or marks) that one touch of the composition may mean, best first, with scores.

        at : the touch, counted from 0; None is the first one without a chosen letter. () where
        there is no such touch.
        """
        at = self.pick_position(content, at)
        if at is None or content.composition is None:
            return ()
        stroke = content.composition.all[at]
        before = "".join(self._spell(content.composition.all, content)[:at])
        point = stroke.point
        if stroke.role != "letter" or point is None:
            return self.marks_after(self.context(content.before) + before, stroke.options)
        return tuple(self.decoder.letters_at(point, before=before))

    def pick_position(self, content: Content, at: int | None) -> int | None:
        """The touch a pick speaks of, or None."""
        if content.composition is None:
            return None
        strokes = content.composition.all
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
        if before is not None and before.item.auto:
            before = before.rest
        found = self.marks_after(self.context(before), stroke.options)
        if stroke.letter:
            found = ((stroke.letter, 0.0), *(m for m in found if m[0] != stroke.letter))
        return tuple(Candidate(m, m, p, 0.0, p, "word") for m, p in found[: self.settings.k])

    # ---- the composition and the text with it ----

    def close(self, content: Content) -> Resolution | None:
        """What a commit makes of the composition; None where there is none."""
        word = content.composition
        if word is None:
            return None
        is_mark = content.lone_mark
        if word.locked is not None:
            return msgspec.structs.replace(word.locked, mark=is_mark)
        first = self.candidates(content)[0]
        explicit = content.spell or word.picked
        return self.as_resolution(first, rank=0, explicit=explicit, mark=is_mark)

    def as_resolution(
        self, candidate: Candidate, *, rank: int, explicit: bool, mark: bool
    ) -> Resolution:
        """A candidate as an outcome: marks that stand after the word are distinguished from it."""
        text, word = candidate.text, candidate.word
        n = len(text) if mark else self._stem(candidate)
        return Resolution(
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
        """The composition as it stands in the text now; "" where there is none."""
        word = content.composition
        if word is None:
            return ""
        if word.locked is not None:
            return word.locked.text + word.locked.marks
        return self.candidates(content)[0].text

    def view(self, content: Content) -> tuple[str, int]:
        """The text and the cursor's position in it, in characters."""
        version = None if self.personal is None else self.personal.version
        if content is not self._viewed[0] or version != self._viewed[1]:
            self._viewed = (content, version, self._view(content))
        return self._viewed[2]

    def _view(self, content: Content) -> tuple[str, int]:
        word = content.composition
        if word is None:
            text = self._before(content.before) + self._after(content.after)
            return text, chars(content.before) + content.offset
        shown = self.shown(content)
        if content.lone_mark:
            before, trail = arrange_mark(content, shown, self.settings)
            left = self._before(before) + shown
            return left + (" " if trail else "") + self._after(content.after), len(left)
        lead, trail = arrange_word(content, self.context(content.before), self.settings)
        left = self._before(content.before) + (" " if lead else "")
        n_before, n_after = len(word.strokes), len(word.tail)
        caret = caret_char(shown, n_before, n_before + n_after) if n_after else len(shown)
        right = shown + (" " if trail else "") + self._after(content.after)
        return left + right, len(left) + caret

    def _before(self, pieces: PieceList | None) -> str:
        known, text = self._text_before
        if pieces is not known:
            behind = None if pieces is None else pieces.behind
            if pieces is not None and behind is known:
                text += pieces.item.text
            elif pieces is not None and isinstance(behind, Chain) and behind.behind is known:
                text += behind.item.text + pieces.item.text
            else:
                text = text_of(pieces, ahead=False)
            self._text_before = (pieces, text)
        return text

    def _after(self, pieces: PieceList | None) -> str:
        if pieces is not self._text_after[0]:
            self._text_after = (pieces, text_of(pieces, ahead=True))
        return self._text_after[1]


def _small(found: Sequence[Candidate], language: str) -> list[Candidate]:
    """The candidates in small letters; those that differed in case alone become one, the first."""
    out: dict[str, Candidate] = {}
    for c in found:
        text = lower(c.text, language)
        out.setdefault(text, c._replace(text=text))
    return list(out.values())


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
