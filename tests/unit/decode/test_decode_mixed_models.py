"""A pack with a context model: every answer is that of its whole vector, and sentences end where text does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from same_lists import assert_same_lists
from small_context import with_context
from small_packs import build_small_pack, invented_notes

import nearkey as nk
from nearkey.decode.spelling import spell

LAYOUT = nk.Layout.named("qwerty")
TOUCH = nk.GaussianTouch.from_layout(LAYOUT, spread=0.45)
CONTEXTS = ["", "we moved", "We set up the tripod. ", "They rested. Maria checked the"]


class VectorAlone:
    """A model's vector without its table: the decoder's general way."""

    def __init__(self, model):
        self.start, self.advance, self.state_after = model.start, model.advance, model.state_after
        self.log_probs, self.log_unknown = model.log_probs, model.log_unknown


@pytest.fixture(scope="module")
def pack(tmp_path_factory):
    folder = tmp_path_factory.mktemp("mixed")
    return nk.load_pack(with_context(build_small_pack(folder)[0], folder / "with"))


@pytest.fixture(scope="module")
def decoder(pack):
    return nk.Decoder(LAYOUT, TOUCH, pack, edits=nk.EditCosts.typical(LAYOUT))


def touches(word, rng):
    keys = [LAYOUT.key_of_letter[c] for c in spell(word, LAYOUT.letters)]
    return TOUCH.sample(keys, rng)


@pytest.mark.parametrize("context", CONTEXTS)
def test_words_are_those_of_the_whole_vector(pack, context):
    decoder = nk.Decoder(LAYOUT, TOUCH, pack)
    rng = np.random.default_rng(3)
    log_probs = pack.language_model.log_probs(decoder.state_after(context))
    for word in ("tripod", "river", "the", "moved", "by"):
        points = touches(word, rng)
        index, log_touch = decoder.touch_scores(points)
        total = log_touch + log_probs[index]
        best = np.argsort(-total, kind="stable")[:5]
        found = decoder.decode(points, context=context, k=5)
        assert [c.index for c in found] == index[best].tolist()
        assert [c.log_prob for c in found] == pytest.approx(total[best].tolist(), abs=1e-4)


@pytest.mark.parametrize("context", CONTEXTS)
def test_lists_are_those_of_the_vector_alone(pack, decoder, context):
    alone = nk.Decoder(
        LAYOUT, TOUCH, replace(pack, language_model=VectorAlone(pack.language_model)),
        edits=decoder.edits,
    )  # fmt: skip
    rng = np.random.default_rng(4)
    assert [c.word for c in decoder.candidates(np.zeros((0, 2)), context=context)] == [
        c.word for c in alone.candidates(np.zeros((0, 2)), context=context)
    ]
    for word in ("tripod", "river", "station", "rest", "theodolite"):
        points = touches(word, rng)[: max(2, len(word) - 2)]
        first, second = (d.candidates(points, context=context) for d in (decoder, alone))
        assert [c.word for c in first] == [c.word for c in second]
        assert [c.log_prob for c in first] == pytest.approx([c.log_prob for c in second])


def test_a_sentence_starts_with_a_capital_after_the_first_too(pack, decoder):
    points = touches("we", np.random.default_rng(1))
    assert decoder.state_after("We rested. ") != decoder.state_after("")
    for context in ("", "We rested. "):
        assert decoder.candidates(points, context=context)[0].text[0].isupper()
    assert decoder.candidates(points, context="and then")[0].text[0].islower()


def test_the_text_before_counts(pack, decoder):
    """Of two equal sentences' words the second is judged by the first."""
    points = touches("tripod", np.random.default_rng(2))
    alone = decoder.candidates(points, context="we moved the")[0]
    after = decoder.candidates(points, context="We found the tripod. we moved the")[0]
    assert alone.word == after.word == "tripod"
    assert alone.log_language != after.log_language


def test_streams_and_lists_agree(decoder):
    points = touches("theodolite", np.random.default_rng(6))
    stream = decoder.start(context="We rested. They moved the")
    for n, (x, y) in enumerate(points.tolist(), start=1):
        found = stream.tap(x, y)
        wanted = decoder.candidates(points[:n], context="We rested. They moved the")
        assert_same_lists(found, wanted, within=1e-9)


@pytest.mark.parametrize("context", ["", "We moved a peg. "])
def test_readings_of_a_sentence_have_the_whole_models_scores(pack, decoder, context):
    rng = np.random.default_rng(7)
    model, known = pack.language_model, 0
    for line in invented_notes(8, 31):
        words = [w for w in line.lower().strip(".!?").replace(",", "").split() if w.isalpha()]
        events = []
        for word in words:
            events += [*touches(word, rng).tolist(), " "]
        found = decoder.decode_sentence(events, context=context, k=3)
        assert [s.log_prob for s in found] == sorted((s.log_prob for s in found), reverse=True)
        state, language = decoder.state_after(context), 0.0
        for word in found[0].words:
            index = pack.lexicon.index(word)
            if index is None:
                break
            language += float(model.log_probs(state)[index])
            state = model.advance(state, word)
        else:
            known += 1
            assert found[0].log_language == pytest.approx(language, abs=0.05)  # table: one byte
    assert known >= 6


def test_a_sentence_without_context(decoder):
    points = [*touches("tripod", np.random.default_rng(8)).tolist()]
    found = decoder.decode_sentence(points, context=decoder.state(None) or "", k=2)
    assert found
    unknown = nk.Decoder.decode_sentence(decoder, points, context=None, k=2)
    assert unknown[0].words == found[0].words


def test_personal_words_are_mixed_in(pack, decoder):
    person = nk.PersonalLanguage(pack)
    points = touches("theodolite", np.random.default_rng(9))
    state = decoder.state_after("We rested. They moved the")
    before = decoder.decode(points, context=state, k=1, personal=person)[0]
    for _ in range(5):
        person.learn("theodolite", state=state)
    after = decoder.decode(points, context=state, k=1, personal=person)[0]
    assert after.log_language > before.log_language
    weight, own = person.overlay(state)
    base = float(pack.language_model.log_probs(state)[pack.lexicon.index("theodolite")])
    mixed = math.log(math.exp(weight + base) + math.exp(own["theodolite"]))
    assert after.log_language == pytest.approx(mixed, abs=1e-4)


def test_phrases_are_learnt_by_the_words_of_the_sentence(pack, decoder):
    person = nk.PersonalLanguage(pack)
    for _ in range(4):
        person.learn("ridge", state=decoder.state_after("They rested. Then on the"))
    again, other = (
        person.overlay(decoder.state_after(text))[1]["ridge"]
        for text in ("We sat on the", "We sat near a")
    )
    assert again > other


def test_a_comparison_of_layouts_asks_the_model_once(pack, monkeypatch):
    asked = []
    kind, own = type(pack.language_model), type(pack.language_model).log_probs

    def counted(self, state):
        asked.append(state)
        return own(self, state)

    monkeypatch.setattr(kind, "log_probs", counted)
    layouts = [LAYOUT, *nk.grid_layouts(LAYOUT, rows=2, columns=3)]
    nk.rank_layouts(
        layouts[:3], pack=pack, words=60, seed=1, in_context=True, corpus=invented_notes(40, 5),
        touch=lambda layout: nk.GaussianTouch.from_layout(layout, spread=0.4),
    )  # fmt: skip
    assert asked
    assert len(asked) == len(set(asked))
