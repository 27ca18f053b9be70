"""Plugging in, options, bad input, streams, live lists: with small hand-made parts."""

from __future__ import annotations

import math
import threading
from dataclasses import replace

import numpy as np
import pytest
from small_models import (
    PlainModel,
    PlainTouch,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    random_ngrams,
    row_layout,
)

from nearkey.decode import Decoder, EditCosts, LanguageModel, Touches, TouchModel, fit_edits
from nearkey.decode.exhaustive import Exhaustive
from nearkey.decode.spelling import spell, spell_words
from nearkey.errors import DecodeError
from nearkey.touch import GaussianTouch
from nearkey.touch.components import log_density

WORDS = ["ab", "ba", "abc", "cab", "abcb", "bc", "don't", "dont"]


@pytest.fixture
def layout():
    return row_layout(["ab", "cd", "no", "t"], functions=["symbol", "space"])


@pytest.fixture
def pack():
    rng = np.random.default_rng(5)
    ngrams = random_ngrams(rng, len(WORDS), 3, 0.2)
    unigram = np.asarray([ngrams[(3 + i,)][0] for i in range(len(WORDS))], np.float32)
    return SmallPack(SmallLexicon(WORDS, unigram), SmallTableModel(WORDS, ngrams, 3))


def centres(layout, letters):
    return np.asarray([layout.centers[layout.key_of_letter[c]] for c in letters])


def test_a_users_touch_model_and_language_model_plug_in(layout):
    lexicon = SmallLexicon(WORDS, np.log(np.full(len(WORDS), 1 / len(WORDS), np.float32)))
    model = PlainModel(WORDS)
    assert isinstance(model, LanguageModel)
    assert isinstance(PlainTouch(layout, 0.5), TouchModel)
    decoder = Decoder(layout, PlainTouch(layout, 0.5), SmallPack(lexicon, model))
    # On one key, so touches cannot tell "ab" from "ba": the language model alone decides.
    points = centres(layout, "ab")
    assert decoder.decode(points, context="bc", k=1)[0].word == "ba"
    assert decoder.decode(points, context="abc", k=1)[0].word == "ab"
    every = decoder.decode(points, context="bc", k=10)
    index, scores = Exhaustive(decoder).decode(points, state=("bc",), k=10)
    assert [c.word for c in every] == [WORDS[i] for i in index]
    assert [c.log_prob for c in every] == pytest.approx(scores)


@pytest.mark.parametrize("dof", [np.inf, 2.5])
def test_components_and_densities_give_the_same_answers(layout, pack, dof):
    class Model:
        key_ids = layout.key_ids

        def components(self):
            gaussians = GaussianTouch.from_layout(layout, spread_mm=0.4).components()
            return replace(gaussians, dof=dof)

        def log_prob(self, points):
            return log_density(self.components(), points, len(self.key_ids))

    model = Model()

    class Densities:
        key_ids = model.key_ids

        def log_prob(self, points):
            return model.log_prob(points)

    points = np.random.default_rng(0).uniform([0, 0], [layout.width, 1], (3, 2))
    one = Decoder(layout, model, pack).decode(points, context="ab", k=5)
    two = Decoder(layout, Densities(), pack).decode(points, context="ab", k=5)
    assert [c.word for c in one] == [c.word for c in two]
    assert [c.log_prob for c in one] == pytest.approx([c.log_prob for c in two], abs=1e-9)
    dof = 0.0
    with pytest.raises(DecodeError, match="dof must be above 0"):
        Decoder(layout, model, pack)


def test_an_apostrophe_is_typed_with_the_symbol_key_or_left_out(layout, pack):
    decoder = Decoder(layout, GaussianTouch.from_layout(layout, spread_mm=0.1), pack)
    symbol = layout.centers[layout.key_index("symbol")]
    with_mark = np.concatenate([centres(layout, "don"), [symbol], centres(layout, "t")])
    assert decoder.decode(with_mark, k=1)[0].word == "don't"
    assert {c.word for c in decoder.decode(centres(layout, "dont"), k=2)} == {"don't", "dont"}
    assert decoder.key_at(symbol).role == "symbol"


def test_streams_answer_as_whole_words_do(layout, pack):
    decoder = Decoder(
        layout, PlainTouch(layout, 0.4), pack, edits=EditCosts(completion=-1.0, swapped=-3.0)
    )
    points = np.random.default_rng(1).uniform([0, 0], [layout.width, 1], (5, 2))
    stream = decoder.start(context="ab", k=4)
    for n, (x, y) in enumerate(points, start=1):
        assert stream.tap(x, y) == decoder.candidates(points[:n], context="ab", k=4)
    for n in range(len(points) - 1, -1, -1):
        assert stream.undo() == decoder.candidates(points[:n], context="ab", k=4)
    with pytest.raises(DecodeError, match="no touch to take back"):
        stream.undo()


def test_no_context_start_of_sentence_and_text_are_different_contexts(layout, pack):
    decoder = Decoder(layout, PlainTouch(layout, 0.4), pack)
    points = centres(layout, "ab")
    scores = {
        context: tuple(c.log_language for c in decoder.decode(points, context=context, k=4))
        for context in (None, "", "bc")
    }
    assert len(set(scores.values())) == 3
    assert decoder.decode(points, context=None, k=4)[0].log_language in [
        pytest.approx(float(p)) for p in pack.lexicon.log_probs
    ]


def test_sentences_find_missing_and_certain_spaces(layout, pack):
    decoder = Decoder(layout, GaussianTouch.from_layout(layout, spread_mm=0.15), pack)
    space = layout.centers[layout.key_index("space")]
    spaced = np.concatenate([centres(layout, "cab"), [space], centres(layout, "abcb")])
    best = decoder.decode_sentence(spaced, context="")[0]
    assert best.text == "cab abcb"
    assert best.spans == ((0, 3), (4, 8))
    missing = [*centres(layout, "cab"), *centres(layout, "abcb")]
    assert "cab abcb" in {s.text for s in decoder.decode_sentence(missing, context="", k=5)}
    certain = [*centres(layout, "cab"), " ", *centres(layout, "abcb"), " "]
    assert decoder.decode_sentence(certain, context="")[0].text == "cab abcb"
    assert decoder.decode_sentence([]) == []
    with pytest.raises(DecodeError, match="neither a touch nor a space"):
        decoder.decode_sentence([(0.5, 0.5), "x"])


def test_one_decoder_serves_many_threads(layout, pack):
    decoder = Decoder(layout, GaussianTouch.from_layout(layout, spread_mm=0.5), pack)
    rng = np.random.default_rng(2)
    words = [
        rng.uniform([0, 0], [layout.width, 1], (int(rng.integers(1, 6)), 2)) for _ in range(60)
    ]
    alone = [decoder.decode(points, context="bc", k=3) for points in words]
    wrong: list[int] = []

    def work() -> None:
        for _ in range(20):
            wrong.extend(
                i for i, p in enumerate(words) if decoder.decode(p, context="bc", k=3) != alone[i]
            )

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([[0.0, math.nan]], "points\\[0\\]: touch is not finite"),
        ([[0.0, 1.0], [math.inf, 0.0]], "points\\[1\\]: touch is not finite"),
        ([[0.0, 1.0, 2.0]], "shape \\(1, 3\\)"),
        ([["a", "b"]], "not numbers"),
        ([1.0, 2.0], "shape \\(2,\\)"),
    ],
)
def test_bad_touches_are_named(layout, pack, points, says):
    decoder = Decoder(layout, PlainTouch(layout, 0.5), pack)
    with pytest.raises(DecodeError, match=says):
        decoder.decode(points)
    with pytest.raises(DecodeError):
        decoder.candidates(points)


def test_bad_parts_are_named(layout, pack):
    touch = PlainTouch(layout, 0.5)
    with pytest.raises(DecodeError, match="lm_weight"):
        Decoder(layout, touch, pack, lm_weight=-1)
    with pytest.raises(DecodeError, match=r"EditCosts: omitted: nan"):
        EditCosts(omitted=math.nan)
    with pytest.raises(DecodeError, match="has no key 'k0'"):
        Decoder(layout, _Keys(("k1", "k2", "k3", "symbol", "space")), pack)
    with pytest.raises(DecodeError, match="decode: k: 0 is out of range; give a whole number"):
        Decoder(layout, touch, pack).decode([[0, 0]], k=0)
    with pytest.raises(DecodeError, match="gave NaN"):
        Decoder(layout, _Keys(layout.key_ids), pack).decode([[0.0, 0.0]])


def test_parts_that_lack_a_member_are_named(layout, pack):
    touch = PlainTouch(layout, 0.5)

    class Asked:
        """A language model that wants to be told the words."""

        def start(self):
            return ()

        def advance(self, state, word):
            return ()

        def log_probs(self, state, words):
            return np.zeros(len(words))

    with pytest.raises(DecodeError, match=r"pack.language_model: is not complete; .*log_unknown"):
        Decoder(layout, touch, SmallPack(pack.lexicon, Asked()))

    class Bare:
        words, log_probs = WORDS, np.zeros(len(WORDS), np.float32)

    with pytest.raises(DecodeError, match=r"pack.lexicon: is not complete; .*index"):
        Decoder(layout, touch, SmallPack(Bare(), pack.language_model))

    class Formless:
        version = 0

        def overlay(self, state):
            return 0.0, {"ab": -1.0}

    with pytest.raises(DecodeError, match=r"personal words: are not complete; .*form"):
        Decoder(layout, touch, pack).decode(centres(layout, "ab"), personal=Formless())


def test_touches_are_points_or_densities_and_say_the_same(layout, pack):
    plain = PlainTouch(layout, 0.5)
    decoder = Decoder(layout, plain, pack)
    points = centres(layout, "cab")
    asked = decoder.decode(points, context="ab", k=4)
    made = Touches.of_densities(plain.log_prob(points))
    assert (len(made), made.columns, made.are_points) == (3, len(layout.key_ids), False)
    for touches in (Touches.of(points), made, decoder.touches(points), decoder.touches(made)):
        assert decoder.decode(touches, context="ab", k=4) == asked
        assert decoder.words(touches, decoder.state_after("ab"), 4) == asked
    assert decoder.words(points, decoder.state_after("ab"), 4) == asked
    assert decoder.decode(made.part(0, 2), k=2) == decoder.decode(points[:2], k=2)
    with pytest.raises(AttributeError):
        made.rows = points
    with pytest.raises(DecodeError, match="gave 3 columns for 6 keys"):
        decoder.decode(Touches.of_densities(np.zeros((2, 3))))
    with pytest.raises(DecodeError, match="gave NaN or infinity"):
        Touches.of_densities([[math.inf, 0.0]])
    in_kernel = Decoder(layout, GaussianTouch.from_layout(layout, spread_mm=0.5), pack)
    with pytest.raises(DecodeError, match="densities for a touch model made of components"):
        in_kernel.decode(made)


def test_candidates_know_their_place_in_the_lexicon(layout, pack):
    class Store:
        version = 0

        def overlay(self, state):
            return -0.1, {"bab": -1.0, "cab": -1.0}

        def form(self, word):
            return word.capitalize()

    decoder = Decoder(layout, PlainTouch(layout, 0.5), pack)
    for points in (centres(layout, "cab"), []):
        found = decoder.candidates(points, context="ab", k=9, personal=Store())
        assert {c.word: c.index for c in found if c.word != "bab"} == {
            c.word: WORDS.index(c.word) for c in found if c.word != "bab"
        }
    own = next(
        c for c in decoder.decode(centres(layout, "bab"), k=9, personal=Store()) if c.word == "bab"
    )
    assert (own.index, own.text) == (None, "Bab")


class _Keys:
    def __init__(self, key_ids):
        self.key_ids = key_ids

    def log_prob(self, points):
        return np.full((len(points), len(self.key_ids)), np.nan)


def test_empty_and_overlong_input_have_no_candidates(layout, pack):
    decoder = Decoder(layout, PlainTouch(layout, 0.5), pack)
    assert decoder.decode([]) == []
    assert decoder.decode(np.zeros((60, 2))) == []
    assert decoder.literal(np.zeros((0, 2))) == ""


def test_spelling_follows_the_keys():
    letters = "abcdefghijklmnopqrstuvwxyz"
    assert spell("café", letters) == "cafe"
    assert spell("straße", letters) == "strasse"
    assert spell("don't", letters) == "dont"
    assert spell("don't", letters + "'") == "don't"
    assert spell("été", "étaé") == "été"
    assert spell("b2", letters) is None
    assert spell("--", letters) is None
    words = ["don't", "b2", "café", "co-op", "x" * 60]
    spelled = spell_words(words, letters + "'")
    texts = [
        "".join((letters + "'")[i] for i in spelled.letters[a:b])
        for a, b in zip(spelled.offsets[:-1], spelled.offsets[1:], strict=True)
    ]
    assert dict(zip(texts, spelled.word.tolist(), strict=True)) == {
        "don't": 0,
        "cafe": 2,
        "coop": 3,
        "dont": 0,
    }
    assert spelled.untypeable.tolist() == [1, 4]


def test_edit_rates_are_recovered_from_aligned_touches():
    """Edits made at known rates (invented here) come back as those rates."""
    letters = "abcdefghijkl"
    layout = row_layout(list(letters))
    touch = GaussianTouch.from_layout(layout, spread_mm=0.2)
    rng = np.random.default_rng(11)
    words, touches, made = [], [], {"omitted": 0, "extra": 0, "swapped": 0}
    for _ in range(1500):
        word = "".join(rng.choice(list(letters), size=6, replace=False))
        points = list(touch.sample([layout.key_of_letter[c] for c in word], rng))
        what = rng.choice(["none", "omitted", "extra", "swapped"], p=[0.76, 0.12, 0.06, 0.06])
        at = int(rng.integers(0, 5))
        if what == "omitted":
            del points[at]
        elif what == "extra":
            points.insert(at, rng.uniform([0, 0], [layout.width, layout.height]))
        elif what == "swapped":
            points[at], points[at + 1] = points[at + 1], points[at]
        if what != "none":
            made[what] += 1
        words.append(word)
        touches.append(points)
    fit = fit_edits(layout, touch, words, touches)
    assert fit.omitted == pytest.approx(made["omitted"], rel=0.15)
    assert fit.extra == pytest.approx(made["extra"], rel=0.3)
    assert fit.swapped == pytest.approx(made["swapped"], rel=0.15)
    assert math.exp(fit.costs.omitted) == pytest.approx(made["omitted"] / 9000, rel=0.15)
    assert math.exp(fit.costs.extra) * layout.width == pytest.approx(made["extra"] / 9000, rel=0.3)
    with pytest.raises(DecodeError, match="'xyz' cannot be typed"):
        fit_edits(layout, touch, ["xyz"], [[[0, 0]]])
    with pytest.raises(DecodeError, match="1 words and 0"):
        fit_edits(layout, touch, ["a"], [])
