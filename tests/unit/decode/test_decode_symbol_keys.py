"""Several keys of role symbol work alike: star and hash of the catalogue's ITU-T E.161 keypad."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from small_models import PlainTouch, SmallLexicon, SmallPack, SmallTableModel, random_ngrams

from nearkey.decode import Decoder, TouchModel, fit_edits
from nearkey.decode.exhaustive import Exhaustive
from nearkey.layout import Layout
from nearkey.touch import GaussianTouch

WORDS = ["don't", "dont", "don", "end", "we'll", "well"]
KEYPAD = Layout.named("e161")
SYMBOLS = [key.id for key in KEYPAD.keys if key.role == "symbol"]
SIGMA = 0.15


@dataclass
class MarkingPack(SmallPack):
    marks: Any = None


class Marks:
    def log_probs(self, word: str) -> dict[str, float]:
        return {"": math.log(0.7), ".": math.log(0.2), ",": math.log(0.1)}


def touched(*keys: str) -> np.ndarray[Any, Any]:
    """The centres of keys by their ids; a string of letters is spelled."""
    at = []
    for part in keys:
        names = [part] if part in KEYPAD.key_ids else list(part)
        at += [
            KEYPAD.centers[KEYPAD.key_index(n) if n in KEYPAD.key_ids else KEYPAD.key_of_letter[n]]
            for n in names
        ]
    return np.asarray(at)


@pytest.fixture(params=["components", "densities"])
def touch(request) -> TouchModel:
    """A model the kernel evaluates, and one it asks for densities."""
    if request.param == "components":
        return GaussianTouch.from_layout(KEYPAD, spread_mm=SIGMA * KEYPAD.unit_mm, background=0.0)
    return PlainTouch(KEYPAD, SIGMA)


@pytest.fixture
def decoder(touch) -> Decoder:
    ngrams = random_ngrams(np.random.default_rng(3), len(WORDS), 2, 0.2)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(WORDS))], np.float32)
    model = SmallTableModel(WORDS, ngrams, 2)
    return Decoder(KEYPAD, touch, MarkingPack(SmallLexicon(WORDS, unigram), model, Marks()))


def test_the_keypad_has_two_symbol_keys():
    assert SYMBOLS == ["star", "hash"]


@pytest.mark.parametrize("symbol", SYMBOLS)
def test_every_symbol_key_is_an_apostrophe_and_a_mark(decoder, symbol):
    assert decoder.key_at(touched(symbol)).id == symbol
    inside = decoder.candidates(touched("don", symbol, "t"), context="", k=3)
    assert inside[0].word == "don't"
    after = decoder.candidates(touched("end", symbol), context="", k=3)
    assert [c.text for c in after][:2] == ["end.", "end,"]
    assert decoder.literal(touched(symbol)) == "'"
    assert decoder.letters_at(touched(symbol)[0])[0][0] == "'"


def test_the_keys_give_the_same_scores(decoder):
    one, other = (decoder.decode(touched("don", s, "t"), context="", k=6) for s in SYMBOLS)
    assert [c.word for c in one] == [c.word for c in other]
    assert [c.log_prob for c in one] == pytest.approx([c.log_prob for c in other], abs=1e-6)


def test_an_apostrophes_density_is_the_mean_over_the_symbol_keys(decoder):
    """By the Gaussian's formula; the touch lies between the two keys, on the side of hash."""
    point = np.asarray([1.8, 3.4])
    points = np.vstack([touched("don"), point, touched("t")])
    best = {c.word: c for c in decoder.decode(points, context="", k=6)}["don't"]

    def density(key: str, at: np.ndarray[Any, Any]) -> float:
        far = float(((at - KEYPAD.centers[KEYPAD.key_index(key)]) ** 2).sum())
        return math.exp(-far / (2 * SIGMA**2)) / (2 * math.pi * SIGMA**2)

    mean = (density("star", point) + density("hash", point)) / 2
    peaks = 4 * -math.log(2 * math.pi * SIGMA**2)
    assert best.log_touch == pytest.approx(peaks + math.log(mean), abs=1e-6)
    index, scores = Exhaustive(decoder).decode(points, state=decoder.state_after(""), k=1)
    assert WORDS[index[0]] == "don't"
    assert scores[0] == pytest.approx(best.log_prob, abs=1e-6)


def test_streams_and_sentences_take_any_symbol_key(decoder):
    stream = decoder.start(context="", k=3)
    points = touched("don", "hash", "t")
    for n, (x, y) in enumerate(points, start=1):
        assert stream.tap(x, y) == decoder.candidates(points[:n], context="", k=3)
    said = decoder.decode_sentence(touched("we", "hash", "ll", "0", "end"))
    assert said[0].words == ("we'll", "end")


def test_edits_are_not_counted_where_another_symbol_key_was_taken(touch):
    words = ["don't", "don't"]
    fit = fit_edits(KEYPAD, touch, words, [touched("don", s, "t") for s in SYMBOLS])
    assert (fit.omitted, fit.extra, fit.swapped) == (0, 0, 0)


def test_a_touch_is_laid_to_the_symbol_key_it_fell_on(decoder):
    columns = decoder.columns
    star, hash_key = columns.symbols
    points = touched("hash", "star", "d")
    shares = np.zeros((3, columns.n_columns))
    shares[:2, columns.n_keys] = 0.9  # "an apostrophe", whichever key
    d = KEYPAD.key_of_letter["d"]
    shares[2, d] = 1.0
    found = columns.apportioned(shares, decoder.touch.log_prob(points))
    assert found[:, hash_key] == pytest.approx([0.9, 0.0, 0.0], abs=1e-6)
    assert found[:, star] == pytest.approx([0.0, 0.9, 0.0], abs=1e-6)
    assert found[2, d] == 1.0
    assert found.sum(axis=1) == pytest.approx(shares.sum(axis=1))
