"""An apostrophe touched on one of several symbol keys moves that key's touches and no other's."""

from __future__ import annotations

import numpy as np
import pytest
from personal_doubles import TablePack

from nearkey.decode import Decoder
from nearkey.layout import Layout
from nearkey.personal import TouchLearner
from nearkey.touch import PeopleTouch, TouchLog

KEYPAD = Layout.named("e161")


def people() -> PeopleTouch:
    """Invented touches of four people on every key of the catalogue's ITU-T E.161 keypad."""
    rng = np.random.default_rng(4)
    person, target, points = [], [], []
    for p in range(4):
        for key in KEYPAD.keys:
            for _ in range(20):
                points.append(np.asarray((key.cx, key.cy)) + rng.normal(0, 0.15, 2))
                person.append(f"p{p}")
                target.append(key.id)
    xy, order = np.asarray(points), np.arange(len(points))
    columns = {"participant": person, "session": ["1"] * len(xy), "trial": order, "order": order}
    columns |= {"time_s": order * 0.3, "x": xy[:, 0], "y": xy[:, 1], "target": target}
    return PeopleTouch().fit(TouchLog.from_columns(columns), KEYPAD)


def learnt_from(symbol: str) -> float:
    """Log density of the apostrophe's touch under the key it fell on, after 40 times the word don't."""
    known = people()
    learner = TouchLearner(Decoder(KEYPAD, known, TablePack()), known.person())
    letters = [KEYPAD.centers[KEYPAD.key_of_letter[c]] for c in "dont"]
    touch = KEYPAD.centers[KEYPAD.key_index(symbol)] + (0.1, -0.1)
    for _ in range(40):
        assert learner.learn("don't", np.vstack([*letters[:3], touch, letters[3]])) is not None
    return float(learner.touch.log_prob(touch[None])[0, known.key_ids.index(symbol)])


def test_either_symbol_key_is_learnt_from_alike() -> None:
    # Laid to star, touches on hash would lie two keys off, and widen what is thought of every key.
    assert learnt_from("hash") == pytest.approx(learnt_from("star"), abs=0.05)
