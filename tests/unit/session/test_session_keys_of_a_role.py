"""Layouts with two keys of a role, and symbol keys with marks written on them, through the package's own decoder.

Worked by hand, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_models import FIRST_WORD, SmallLexicon, SmallPack, SmallTableModel

from nearkey.decode import Decoder, EditCosts
from nearkey.layout import Key, Layout
from nearkey.session import Session
from nearkey.touch import GaussianTouch

# Invented shares.
SHARES = {"gate": 0.2, "open": 0.1, "to": 0.2, "do": 0.1, "don't": 0.1, "gates": 0.01}
TWINS = ("space", "delete", "accept", "shift", "punctuation", "candidate")


@dataclass
class MarkingPack(SmallPack):
    marks: Any = None


class Marks:
    def log_probs(self, word: str) -> dict[str, float]:
        shares = {"": 0.7, ".": 0.15, ",": 0.1, "?": 0.04, "!": 0.01}
        return {mark: math.log(p) for mark, p in shares.items()}


def pad() -> Layout:
    """Letters on the catalogue's QWERTY; above and below them one key of each role, and symbol keys."""
    base = Layout.named("qwerty")
    keys = [Key(k.id, k.label, k.x, k.y + 1, k.w, k.h, k.letters, k.role) for k in base.letter_keys]
    for row, y in enumerate((0.0, 4.0)):
        for i, role in enumerate(TWINS):
            marks = (",?", "!;")[row] if role == "punctuation" else ""
            keys.append(Key(f"{role}{row}", role, float(i), y, 1.0, 1.0, marks, role))
    for i, marks in enumerate(("'", "-", ".", "@#")):
        keys.append(Key(f"sym{i}", marks, 6.0 + i, 0.0, 1.0, 1.0, marks, "symbol"))
    return Layout("pad", base.unit_mm, 10, 5, tuple(keys))


PAD = pad()


def new_decoder() -> Decoder:
    words = sorted(SHARES)
    ngrams = {(FIRST_WORD + i,): (math.log(SHARES[w]), 0.0) for i, w in enumerate(words)}
    ngrams |= {(i,): (math.log(0.001), 0.0) for i in range(FIRST_WORD)}
    log_probs = np.asarray([math.log(SHARES[w]) for w in words], np.float32)
    pack = MarkingPack(SmallLexicon(words, log_probs), SmallTableModel(words, ngrams, 1), Marks())
    touch = GaussianTouch.from_layout(PAD, spread=0.15)
    return Decoder(PAD, touch, pack, edits=EditCosts.typical(PAD))


@pytest.fixture
def session() -> Session:
    return Session(new_decoder())


def press(session: Session, *parts: str) -> None:
    """Keys by their ids, or letters."""
    for part in parts:
        for name in [part] if part in PAD.key_ids else list(part):
            session.tap(*PAD.centers[PAD.key_index(name)])


# ---- two keys of a role ----


@pytest.mark.parametrize("n", "01")
def test_either_key_of_a_role_does_what_the_role_does(session, n) -> None:
    press(session, "gate", f"space{n}")
    assert session.text == "gate "
    press(session, "oppen", f"delete{n}")
    assert len(session.touches) == 4
    session.clear()
    press(session, "gate", f"accept{n}")
    assert session.word == "gate"
    press(session, "open")
    assert session.text == "gate open"
    session.clear()
    press(session, f"shift{n}")
    assert session.shift_mode == "upper"
    press(session, "to", f"punctuation{n}")
    assert session.text == ("To,", "To!")[int(n)]


def test_a_key_of_a_role_goes_on_where_its_twin_left_off(session) -> None:
    press(session, "gate", "accept0", "accept1")
    listed = [c.text for c in session.candidates]
    assert session.word == listed[1] == "gates"
    session.clear()
    press(session, "shift0", "shift1")
    assert session.shift_mode == "lower"
    session.clear()
    press(session, "gate", "space0", "space1", "delete1", "delete0", "delete1")
    assert len(session.touches) == 3
    press(session, "e", "candidate1")
    assert session.word == "gates"


# ---- marks written on symbol keys ----


def test_the_marks_of_the_key_touched_are_offered_after_a_word(session) -> None:
    press(session, "gate", "sym3")
    assert [c.text for c in session.candidates][:2] == ["gate@", "gate#"]
    assert [mark for mark, _ in session.letters(4)] == ["@", "#"]
    session.delete()
    press(session, "sym2")
    assert [c.text for c in session.candidates][:1] == ["gate."]
    press(session, "space1", "open")
    assert session.text == "gate. open"


def test_an_apostrophe_goes_on_with_the_word_and_no_other_mark_does(session) -> None:
    press(session, "don", "sym0", "t", "space0")
    assert session.text == "don't "
    press(session, "to", "sym2", "do")
    assert session.text == "don't to. do"
    session.clear()
    press(session, "to", "sym1", "do", "space0")
    assert session.text == "to-do "


def test_a_second_mark_follows_the_first(session) -> None:
    press(session, "gate", "sym2", "sym2", "sym2", "space0")
    assert session.text == "gate... "
    session.undo()
    session.undo()
    assert session.text == "gate.."
    press(session, "punctuation0")
    assert session.text == "gate..,"


def test_the_mark_chosen_for_a_touch_is_the_one_after_the_word(session) -> None:
    press(session, "gate", "sym3")
    assert session.pick("#", at=4)
    assert session.candidates[0].text == "gate#"
    assert all("#" in c.text for c in session.candidates)
    press(session, "open")
    assert session.text.startswith("gate #")
    assert session.text.endswith("open")


def test_an_apostrophe_chosen_for_a_touch_rules_out_no_word_it_is_in(session) -> None:
    press(session, "don", "sym0")
    assert session.pick("'", at=3)
    press(session, "t")
    assert session.candidates[0].text == "don't"


def test_a_word_closed_by_the_letter_after_its_mark_is_restored_from_a_journal(
    tmp_path: Path,
) -> None:
    decoder = new_decoder()
    with Session(decoder, journal=tmp_path / "run.jsonl") as session:
        press(session, "to", "sym2", "do", "sym1", "sym2", "gate")
        before = session.state, session.text
    with Session.restore(tmp_path / "run.jsonl", decoder) as again:
        assert (again.state, again.text) == before
        assert again.undo()


def test_marks_are_part_of_a_spelled_word(session) -> None:
    session.spell(True)
    press(session, "to", "sym3", "do", "sym2", "gate")
    assert session.text == "to@do.gate"
