"""Symbol keys with marks written on them, and several space keys. Scores by the Gaussian's formula; no source else."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from small_models import FIRST_WORD, PlainTouch, SmallLexicon, SmallPack, SmallTableModel

from nearkey.decode import Decoder
from nearkey.layout import Key, Layout
from nearkey.touch import GaussianTouch

# Invented shares.
WORDS = {"don't": 0.1, "don": 0.2, "end": 0.3, "dogs'": 0.01, "dogs": 0.1, "toe": 0.2}
SIGMA = 0.2
PEAK = -math.log(2 * math.pi * SIGMA**2)
MARKS = {"": 0.6, ".": 0.2, ",": 0.1, "?": 0.06, "!": 0.03, ";": 0.01}


class Lexicon(SmallLexicon):
    @property
    def offensive(self) -> frozenset[int]:
        return frozenset([self.words.index("toe")])


@dataclass
class MarkingPack(SmallPack):
    marks: Any = None


class Marks:
    def log_probs(self, word: str) -> dict[str, float]:
        return {mark: math.log(p) for mark, p in MARKS.items()}


def pad(*functions: tuple[str, str, str]) -> Layout:
    """Letters d, o, n, e, g, s, t; above them keys of other roles: id, role, marks."""
    keys = [Key(c, c, float(i), 1.0, 1.0, 1.0, c) for i, c in enumerate("dongest")]
    keys += [
        Key(name, name, float(i), 0.0, 1.0, 1.0, written, role)
        for i, (name, role, written) in enumerate(functions)
    ]
    return Layout("pad", 5.0, 7.0, 2.0, tuple(keys), alphabet="degnost")


def symbols(*written: str) -> Layout:
    return pad(*((f"s{i}", "symbol", marks) for i, marks in enumerate(written)))


def at(layout: Layout, *parts: str) -> np.ndarray[Any, Any]:
    names = [n for part in parts for n in ([part] if part in layout.key_ids else part)]
    return np.asarray([layout.centers[layout.key_index(n)] for n in names])


@pytest.fixture(params=["components", "densities"])
def make(request):
    """A decoder on a layout, with a model the kernel evaluates and with one it asks for densities."""

    def made(layout: Layout, marks: Any = None) -> Decoder:
        words = sorted(WORDS)
        ngrams = {(FIRST_WORD + i,): (math.log(WORDS[w]), 0.0) for i, w in enumerate(words)}
        ngrams |= {(i,): (math.log(0.01), 0.0) for i in range(FIRST_WORD)}
        shares = np.asarray([math.log(WORDS[w]) for w in words], np.float32)
        lexicon = Lexicon(words, shares)
        pack = MarkingPack(lexicon, SmallTableModel(words, ngrams, 1), marks or Marks())
        touch: Any = PlainTouch(layout, SIGMA)
        if request.param == "components":
            spread_mm = SIGMA * layout.unit_mm
            touch = GaussianTouch.from_layout(layout, spread_mm=spread_mm, background=0.0)
        return Decoder(layout, touch, pack)

    return made


def texts(decoder: Decoder, *parts: str, k: int = 9) -> list[str]:
    return [c.text for c in decoder.candidates(at(decoder.layout, *parts), context="", k=k)]


def test_only_the_marks_on_the_key_touched_are_offered_the_most_probable_first(make):
    decoder = make(symbols("!?", ".,;:"))
    assert texts(decoder, "end", "s0") == ["end?", "end!"]
    assert texts(decoder, "end", "s1") == ["end.", "end,", "end;", "end:"]


def test_a_key_that_names_none_offers_the_three_most_probable(make):
    assert texts(make(symbols("")), "end", "s0") == ["end.", "end,", "end?"]


def test_marks_the_pack_does_not_know_can_be_touched_and_come_after_those_it_knows(make):
    decoder = make(symbols("@;", "#"))
    assert texts(decoder, "end", "s0") == ["end;", "end@"]
    assert texts(decoder, "end", "s1") == ["end#"]


def test_marks_on_a_key_need_no_table_of_marks(make):
    class Empty:
        def log_probs(self, word: str) -> dict[str, float]:
            return {"": 0.0}

    assert texts(make(symbols("!?"), Empty()), "end", "s0") == ["end!", "end?"]
    assert not [t for t in texts(make(symbols(""), Empty()), "end", "s0") if t.startswith("end")]


def test_a_key_with_other_marks_is_no_apostrophe(make):
    decoder = make(symbols(".,"))
    assert "'" not in decoder.letters
    assert "don't" not in texts(decoder, "don", "s0", "t")
    assert texts(decoder, "don", "t") == ["don't"]  # an apostrophe may always be left out
    assert "'" not in dict(decoder.letters_at(at(decoder.layout, "s0")[0]))


@pytest.mark.parametrize("written", ["", "'", "?'", "’"])
def test_a_key_with_an_apostrophe_among_its_marks_is_one(make, written):
    decoder = make(symbols(written))
    assert texts(decoder, "don", "s0", "t") == ["don't"]


def test_an_apostrophes_density_is_the_mean_over_the_keys_that_have_one(make):
    for written, n in (((".", "'"), 1), (("", ",'", "."), 2)):
        decoder = make(symbols(*written))
        best = decoder.decode(at(decoder.layout, "don", "s1", "t"), context="")[0]
        assert best.word == "don't"
        assert best.log_touch == pytest.approx(5 * PEAK - math.log(n), abs=1e-5)


def test_a_marks_density_is_the_mean_over_the_keys_that_have_it(make):
    decoder = make(symbols(".", ",", "?!", ""))
    touches = np.vstack([at(decoder.layout, "end"), [[2.4, 0.5]]])  # on s2, to its left
    found = {c.text: c for c in decoder.candidates(touches, context="", k=9)}
    assert set(found) == {"end?", "end!"}

    def density(*keys: int) -> float:
        parts = [math.exp(PEAK - (2.4 - (i + 0.5)) ** 2 / (2 * SIGMA**2)) for i in keys]
        return math.log(sum(parts) / len(keys))

    share = math.log(MARKS["?"] / (MARKS["?"] + MARKS["!"]))
    assert found["end?"].log_touch == pytest.approx(3 * PEAK + density(2, 3), abs=1e-5)
    assert found["end!"].log_touch == pytest.approx(3 * PEAK + density(2, 3), abs=1e-5)
    assert found["end?"].log_language == pytest.approx(math.log(WORDS["end"]) + share, abs=1e-5)


def test_a_word_that_ends_in_an_apostrophe_stands_there_once(make):
    assert texts(make(symbols("'!")), "dogs", "s0").count("dogs'") == 1


def test_offensive_words_get_no_mark_unless_touched_letter_by_letter(make):
    decoder = make(symbols("!?"))
    layout = decoder.layout
    exact = at(layout, "toe", "s0")
    assert [c.text for c in decoder.candidates(exact, context="", k=4)] == ["toe?", "toe!"]
    near = exact.copy()
    near[0] = (5.9, 1.5)  # on s, beside t
    assert decoder.decode(near[:3], context="")[0].word == "toe"
    assert "toe" not in {c.word for c in decoder.candidates(near, context="", k=4)}


def test_a_word_is_found_whose_mark_is_surer_than_that_of_many_before_it():
    """Six words touched alike; one that is less probable by a fifth has but one mark after it."""
    words = ["dan", "den", "din", "don", "dun", "dyn"]

    class Surer:
        def log_probs(self, word: str) -> dict[str, float]:
            rare = 0.001 if word == "dyn" else 0.1
            return {"": math.log(0.5), "!": math.log(0.1), "?": math.log(rare)}

    shares = np.log(np.asarray([0.2] * 5 + [0.16]))
    ngrams = {(i,): (math.log(0.01), 0.0) for i in range(FIRST_WORD)}
    ngrams |= {(FIRST_WORD + i,): (float(p), 0.0) for i, p in enumerate(shares)}
    keys = [Key(c[0], c, float(i), 0.0, 1.0, 1.0, c) for i, c in enumerate(["d", "aeiouy", "n"])]
    keys.append(Key("sym", "!?", 3.0, 0.0, 1.0, 1.0, "!?", "symbol"))
    layout = Layout("pad", 5.0, 4.0, 1.0, tuple(keys), alphabet="adeinouy")
    model = SmallTableModel(words, ngrams, 1)
    pack = MarkingPack(SmallLexicon(words, shares.astype(np.float32)), model, Surer())
    decoder = Decoder(layout, PlainTouch(layout, SIGMA), pack)
    assert texts(decoder, "dan", "sym", k=1) == ["dyn!"]


def test_streams_answer_as_lists_do(make):
    decoder = make(symbols("", ".", "'!"))
    stream = decoder.start(context="", k=5)
    touches = at(decoder.layout, "don", "s2", "t", "s1")
    for n, (x, y) in enumerate(touches, start=1):
        assert stream.tap(x, y) == decoder.candidates(touches[:n], context="", k=5)


def test_marks_can_be_asked_for_by_what_is_on_a_key(make):
    decoder = make(symbols(""))
    every = decoder.marks("the end")
    assert [m for m, _ in every] == ["", ".", ",", "?", "!", ";"]
    assert decoder.marks("the end", on="!#?") == [*every[3:5], ("#", -math.inf)]


# ---- several space keys ----


SPACED = pad(("left", "space", ""), ("sym", "symbol", ""), ("right", "space", ""))


@pytest.mark.parametrize("space", ["left", "right"])
def test_sentences_take_any_space_key(make, space):
    decoder = make(SPACED)
    touches = at(SPACED, "end", space, "dogs")
    best = decoder.decode_sentence(touches)[0]
    assert best.words == ("end", "dogs")
    assert best.spans == ((0, 3), (4, 8))
    # All seven letters in the middle of their keys; a space is either key, each as likely.
    assert best.log_touch == pytest.approx(8 * PEAK - math.log(2), abs=1e-5)


def test_sentences_without_a_space_key_in_the_touch_model_take_none(make):
    layout = symbols("")
    best = make(layout).decode_sentence(at(layout, "end", "dogs"))[0]
    assert best.words == ("end", "dogs")
    assert best.log_touch == pytest.approx(7 * PEAK, abs=1e-5)
