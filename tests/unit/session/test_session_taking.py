"""What a space takes, and any of several symbol keys, with the package's own decoder: worked by hand, no source."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from small_models import FIRST_WORD, SmallLexicon, SmallPack, SmallTableModel

import nearkey as nk
from nearkey.decode import Decoder, EditCosts
from nearkey.layout import Layout
from nearkey.session import Session
from nearkey.touch import GaussianTouch

KEYPAD = Layout.named("e161")
# Invented shares: "inn" is ten times as probable as "in", "station" a thousand times as "sta".
SHARES = {"in": 0.03, "inn": 0.3, "sta": 0.0002, "station": 0.2, "don't": 0.2, "gate": 0.2}


@dataclass
class MarkingPack(SmallPack):
    marks: Any = None


class Marks:
    def log_probs(self, word: str) -> dict[str, float]:
        return {"": math.log(0.7), ".": math.log(0.2), ",": math.log(0.1)}


@pytest.fixture
def session() -> Session:
    words = sorted(SHARES)
    ngrams = {(FIRST_WORD + i,): (math.log(SHARES[w]), 0.0) for i, w in enumerate(words)}
    ngrams |= {(i,): (math.log(0.01), 0.0) for i in range(FIRST_WORD)}
    log_probs = np.asarray([math.log(SHARES[w]) for w in words], np.float32)
    pack = MarkingPack(SmallLexicon(words, log_probs), SmallTableModel(words, ngrams, 1), Marks())
    touch = GaussianTouch.from_layout(KEYPAD, spread=0.15)
    return Session(Decoder(KEYPAD, touch, pack, edits=EditCosts.typical(KEYPAD)))


def press(session: Session, *parts: str) -> None:
    """Keys by their ids, or letters."""
    for part in parts:
        for name in [part] if part in KEYPAD.key_ids else list(part):
            at = KEYPAD.key_of_letter.get(name)
            x, y = KEYPAD.centers[KEYPAD.key_index(name) if at is None else at]
            session.tap(x, y)


def test_a_space_takes_the_finished_word_and_leaves_the_longer_one_to_be_chosen(session) -> None:
    press(session, "in")
    listed = [c.word for c in session.candidates]
    assert listed[:2] == ["in", "inn"]
    press(session, "0")
    assert session.text == "in "
    press(session, "in")
    session.accept(1)
    session.commit()
    assert session.text == "in inn "


def test_a_mark_takes_the_finished_word_too(session) -> None:
    press(session, "in")
    session.mark(".")
    assert session.text == "in. "


def test_a_space_takes_a_word_that_can_hardly_be_finished(session) -> None:
    press(session, "sta", "0")
    assert session.text == "station "


@pytest.mark.parametrize("symbol", ["star", "hash"])
def test_both_symbol_keys_are_an_apostrophe_inside_a_word_and_a_mark_after_it(
    session, symbol
) -> None:
    press(session, "don", symbol, "t", "0")
    assert session.text == "don't "
    press(session, "gate", symbol)
    assert [c.text for c in session.candidates][:2] == ["gate.", "gate,"]
    press(session, "0")
    assert session.text == "don't gate. "
    press(session, "gate", "0", symbol, "0")
    assert session.text == "don't gate. gate. "


def test_a_place_that_is_no_number_is_named():
    layout = nk.Layout.named("qwerty")
    session = nk.Session(
        nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), nk.load_pack("en"))
    )
    with pytest.raises(nk.NearkeyError, match=r"\('a', 1\) is no place") as caught:
        session.tap("a", 1)  # type: ignore[arg-type]
    assert caught.value.field == "x, y"
    assert session.text == ""
