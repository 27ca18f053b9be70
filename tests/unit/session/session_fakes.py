"""A decoder small enough to work out by hand, and the layouts and stores the session tests use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from nearkey.decode import Candidate
from nearkey.layout import Key, Layout
from nearkey.session import Session

# Invented; about a hundred words of a surveyor's day, most frequent first, some with capitals or
# apostrophes, one with a letter outside a-z.
_WORDS = """
    the to a of and in is at on it see you we station level gate open later road point
    line stake north south east west mark pole up down yes no ok meet there here don't
    we'll I London cafe café hello lot let late hate have give gives given fix field book
    peg tape mast river bridge pier height slope grade cut fill base rod staff tripod
"""
WORDS = tuple(_WORDS.split())
FOLLOWERS = {"see": "you", "at": "the", "the": "station", "gate": "open", "you": "later"}
FUNCTIONS = (
    ("shift", "shift", "", 1.0),
    ("cand1", "candidate", "", 1.0),
    ("cand2", "candidate", "", 1.0),
    ("accept", "accept", "", 1.0),
    ("space", "space", "", 2.0),
    ("dot", "punctuation", ".", 1.0),
    ("ask", "punctuation", ",?!", 1.0),
    ("sym", "symbol", "", 1.0),
    ("del", "delete", "", 1.0),
)


def _with_functions(letters: Sequence[Key], y: float) -> tuple[Key, ...]:
    keys, x = list(letters), 0.0
    for name, role, marks, width in FUNCTIONS:
        keys.append(Key(name, name, x, y, width, 1.0, marks, role))
        x += width
    return tuple(keys)


def qwerty_pad() -> Layout:
    """26 letter keys and a row of function keys under them."""
    base = Layout.named("qwerty")
    return Layout("test pad", 6, 10, 4, _with_functions(base.keys, 3.0))


def barrel_pad() -> Layout:
    """Six groups of letters and a row of function keys."""
    groups = ("qwert", "yuiop", "asdfg", "hjkl", "zxcv", "bnm")
    keys = [
        Key(group, group, 5.0 * (i % 2), 1.0 * (i // 2), 5.0, 1.0, group)
        for i, group in enumerate(groups)
    ]
    return Layout("barrel pad", 6, 10, 4, _with_functions(keys, 3.0))


def twin_pad() -> Layout:
    """26 letter keys between two rows of function keys; those of the upper row have other marks on them."""
    keys = [replace(key, y=key.y + 1) for key in qwerty_pad().keys]
    marks = {"dot": "-", "ask": ":;", "sym": "'@"}
    x = 0.0
    for name, role, _, width in FUNCTIONS:
        keys.append(Key(f"{name}2", name, x, 0.0, width, 1.0, marks.get(name, ""), role))
        x += width
    return Layout("twin pad", 6, 10, 5, tuple(keys))


def wide_pad() -> Layout:
    """Letters outside a-z on their own keys; no function keys."""
    letters = "abcdefghijklmnopqrstuvwxyzäöüßéñøλжё"
    keys = tuple(Key(c, c, float(i % 9), float(i // 9), 1.0, 1.0, c) for i, c in enumerate(letters))
    return Layout("wide pad", 6, 9, 4, keys, alphabet=letters)


class FakeDecoder:
    """Nearest keys, a list of words, one follower for some of them. Deterministic."""

    def __init__(self, layout: Layout | None = None, words: Sequence[str] = WORDS) -> None:
        self.layout = layout or qwerty_pad()
        self.words = tuple(words)
        self.calls = 0
        self._spelt = [self._typed(word) for word in self.words]
        self._symbol = any(key.role == "symbol" for key in self.layout.keys)

    def _typed(self, word: str) -> str:
        plain = word.lower().replace("'", "")
        if "é" not in self.layout.letters:
            plain = plain.replace("é", "e")
        return plain

    def center(self, letter_or_id: str) -> tuple[float, float]:
        """Where to touch for a letter, or for a key by its id."""
        at = self.layout.key_of_letter.get(letter_or_id)
        key = self.layout.keys[self.layout.key_index(letter_or_id) if at is None else at]
        return key.cx, key.cy

    def _distance(self, point: tuple[float, float], key: Key) -> float:
        dx = max(abs(point[0] - key.cx) - key.w / 2, 0.0)
        dy = max(abs(point[1] - key.cy) - key.h / 2, 0.0)
        return 10 * (dx * dx + dy * dy) + 0.01 * math.dist(point, (key.cx, key.cy))

    def key_at(self, point: Any) -> Key:
        return min(self.layout.keys, key=lambda key: self._distance(point, key))

    def literal(self, points: Any) -> str:
        keys = [k for k in self.layout.keys if k.role == "letters"]
        nearest = (min((self._distance(p, key), i) for i, key in enumerate(keys)) for p in points)
        return "".join(keys[i].letters[0] for _, i in nearest)

    def letters_at(self, point: Any, *, before: str = "") -> list[tuple[str, float]]:
        scores = []
        for letter, index in self.layout.key_of_letter.items():
            starts = sum(w.startswith(before + letter) for w in self._spelt)
            touch = -self._distance(point, self.layout.keys[index])
            scores.append((letter, touch + math.log(starts + 0.5)))
        return sorted(scores, key=lambda s: (-s[1], s[0]))

    def marks(self, context: str) -> list[tuple[str, float]]:
        asks = context.lower().split()[-1:] in (["you"], ["there"])
        found = [("", 0.8), ("?" if asks else ".", 0.1), (",", 0.05), ("!", 0.03), ("'", 0.02)]
        return [(mark, math.log(p)) for mark, p in found]

    def state_after(self, text: str) -> tuple[str, ...]:
        return tuple(text.lower().split()[-2:])

    def _language(self, word: str, rank: int, last: str) -> float:
        return -math.log(rank + 2) + (2.0 if FOLLOWERS.get(last) == word else 0.0)

    def candidates(
        self, points: Any, *, context: str = "", k: int = 5, personal: Any = None
    ) -> list[Candidate]:
        self.calls += 1
        last = (context.lower().split() or [""])[-1]
        core = context.rstrip(' \n"#¿([“')
        start = not core or core[-1] in ".?!"
        own = sorted(getattr(personal, "words", ()))
        lexicon = [
            *((w, t, self._language(w, i, last)) for i, (w, t) in enumerate(self._pairs())),
            *((w, self._typed(w), -1.0) for w in own),
        ]
        if not points:
            found = [
                Candidate(self._case(w, start), w, p, 0.0, p, "prediction") for w, _, p in lexicon
            ]
        else:
            found = self._read(points, lexicon, start)
            if self._symbol and len(points) > 1 and self.key_at(points[-1]).role == "symbol":
                for stem in self._read(points[:-1], lexicon, start)[:3]:
                    for mark, p in self.marks(stem.word)[1:]:
                        total = stem.log_prob + p
                        found.append(
                            Candidate(
                                stem.text + mark, stem.word, total, stem.log_touch, p, stem.kind
                            )
                        )
        found.sort(key=lambda c: (-c.log_prob, c.text))
        return found[:k]

    def _pairs(self) -> list[tuple[str, str]]:
        return list(zip(self.words, self._spelt, strict=True))

    def _case(self, word: str, start: bool) -> str:
        return word[0].upper() + word[1:] if start else word

    def _read(self, points: Any, lexicon: Any, start: bool) -> list[Candidate]:
        keys = [self.key_at(p) for p in points]
        letters = [p for p, k in zip(points, keys, strict=True) if k.role != "symbol"]
        marks = len(points) - len(letters)
        found = []
        for word, typed, language in lexicon:
            if marks != (word.count("'") if marks else 0) or len(typed) < len(letters):
                continue
            touch = -sum(
                self._distance(p, self.layout.keys[self.layout.key_of_letter[c]])
                for p, c in zip(letters, typed, strict=False)
                if c in self.layout.key_of_letter
            )
            if touch < -12:
                continue
            kind = "word" if len(typed) == len(letters) else "completion"
            cost = 0.0 if kind == "word" else -2.0
            found.append(
                Candidate(
                    self._case(word, start), word, touch + language + cost, touch, language, kind
                )
            )
        if len({len(k.letters) for k in keys}) == 1 and marks == 0:
            text = self.literal(points)
            if text not in self._spelt:
                found.append(Candidate(text, text, -9.0, -1.0, -8.0, "spelled"))
        return found


class FakeStore:
    """A person's store that counts, and keeps no file."""

    def __init__(self) -> None:
        self.words: set[str] = set()
        self.learnt: dict[int, tuple[str, Any]] = {}
        self.serial = 0
        self.version = 0
        self.calls: list[tuple[str, Any]] = []

    def __contains__(self, word: object) -> bool:
        return word in self.words

    def learn(self, word: str, state: Any = None) -> int | None:
        self.calls.append(("learn", word))
        self.serial += 1
        self.version += 1
        self.learnt[self.serial] = (word, state)
        return self.serial

    def retract(self, serial: int | None = None) -> bool:
        self.calls.append(("retract", serial))
        self.version += 1
        return self.learnt.pop(serial or 0, None) is not None

    def add_word(self, word: str) -> None:
        self.calls.append(("add", word))
        self.version += 1
        self.words.add(word)

    def remove_word(self, word: str) -> bool:
        self.calls.append(("remove", word))
        self.version += 1
        self.words.discard(word)
        return True


class Typist:
    """A session and the fingers for it: `type("see")` touches the middles of those keys."""

    def __init__(self, session: Any, decoder: FakeDecoder) -> None:
        self.session = session
        self.decoder = decoder

    def type(self, letters: str) -> None:
        for letter in letters:
            self.session.tap(*self.decoder.center(letter))

    def key(self, *ids: str) -> None:
        for key_id in ids:
            self.session.tap(*self.decoder.center(key_id))

    def words(self, text: str) -> None:
        for word in text.split():
            self.type(word)
            self.session.space()

    @property
    def shown(self) -> str:
        """The text with the cursor in it as a bar."""
        text, cursor = self.session.text, self.session.cursor
        return f"{text[:cursor]}|{text[cursor:]}"


def typist(layout: Layout | None = None, **options: Any) -> Typist:
    """A new session on a fake decoder."""
    decoder = FakeDecoder(layout)
    return Typist(Session(decoder, **options), decoder)
