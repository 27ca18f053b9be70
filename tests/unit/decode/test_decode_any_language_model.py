"""A language model without a table gets all that the pack's own has: edits, completions, spelling, sentences.

The model is the pack's own n-grams, read by KenLM from an ARPA file and by the kernel from the table: an engine written
by others, over the same numbers.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from kenlm_of_pack import kenlm_of
from same_lists import assert_same_lists
from small_models import PlainModel, PlainTouch, SmallLexicon, SmallPack, row_layout
from small_packs import build_small_pack, invented_notes

import nearkey as nk
from nearkey.errors import DecodeError, PackError
from nearkey.language import KenlmModel

WITHIN = 2e-4
"""An ARPA file has seven digits, KenLM float32 logs to base 10."""

LAYOUT = nk.Layout.named("qwerty")
TOUCH = nk.GaussianTouch.from_layout(LAYOUT, spread=0.45)


@pytest.fixture(scope="module")
def packs(tmp_path_factory):
    """A small pack with its own table, and with the same n-grams through KenLM."""
    folder = tmp_path_factory.mktemp("pack")
    pack = nk.load_pack(build_small_pack(folder)[0])
    return pack, replace(pack, language_model=kenlm_of(pack, folder / "own.arpa"))


@pytest.fixture(scope="module")
def decoders(packs):
    costs = nk.EditCosts.typical(LAYOUT)
    return [nk.Decoder(LAYOUT, TOUCH, pack, edits=costs) for pack in packs]


def noisy(words, rng):
    """Touches for words as people make them: some letters missing, doubled or swapped, some words unfinished."""
    for i, word in enumerate(words):
        letters = [c for c in word if c in LAYOUT.key_of_letter]
        at = int(rng.integers(0, len(letters)))
        slip = i % 5
        if slip == 1 and len(letters) > 2:
            del letters[at]
        elif slip == 2:
            letters.insert(at, letters[at])
        elif slip == 3 and at:
            letters[at - 1], letters[at] = letters[at], letters[at - 1]
        elif slip == 4:
            letters = letters[: max(1, len(letters) // 2)]
        yield TOUCH.sample([LAYOUT.key_of_letter[c] for c in letters], rng)


def test_kenlm_and_the_table_give_the_same_live_lists_on_a_thousand_noisy_words(packs, decoders):
    rng = np.random.default_rng(7)
    pack = packs[0]
    text = [w.strip(".,!?") for line in invented_notes(250, 5) for w in line.lower().split()]
    pairs = [(a, b) for a, b in pairwise(text) if b in pack.lexicon][:1000]
    assert len(pairs) == 1000
    kinds = set()
    for (before, _), points in zip(pairs, noisy([b for _, b in pairs], rng), strict=True):
        lists = [decoder.candidates(points, context=before, k=6) for decoder in decoders]
        assert_same_lists(*lists, within=WITHIN)
        kinds |= {c.kind for c in lists[1]}
    assert kinds == {"word", "edited", "completion", "spelled"}


def test_kenlm_and_the_table_predict_batch_and_read_sentences_alike(packs, decoders):
    rng = np.random.default_rng(3)
    lists = [d.candidates([], context="we set up the", k=8) for d in decoders]
    assert_same_lists(*lists, within=WITHIN)
    for line in invented_notes(6, 9):
        letters = [c for c in line.lower() if c in LAYOUT.key_of_letter][:14]
        points = TOUCH.sample([LAYOUT.key_of_letter[c] for c in letters], rng)
        ours, theirs = (d.decode_sentence(points, context="we set up", k=3) for d in decoders)
        assert [s.log_prob for s in ours] == pytest.approx([s.log_prob for s in theirs], abs=1e-3)
        assert ours[0].text == theirs[0].text
    words = [w for w in pack_words(packs[0]) if len(w) < 8][:40]
    points = [TOUCH.sample([LAYOUT.key_of_letter[c] for c in w], rng) for w in words]
    offsets = np.cumsum([0, *map(len, points)])
    found = []
    for decoder in decoders:
        states = [decoder.state_after(("the", "we set")[i % 2]) for i in range(len(words))]
        found.append(decoder.decode_batch(np.vstack(points), offsets, contexts=states, k=3))
    np.testing.assert_array_equal(found[0][0][:, 0], found[1][0][:, 0])
    np.testing.assert_allclose(found[0][1], found[1][1], atol=WITHIN)


def pack_words(pack):
    return [w for w in pack.lexicon.words if all(c in LAYOUT.key_of_letter for c in w)]


def test_the_same_model_answers_after_another_context(decoders):
    """What is kept of one state is not used for another."""
    points = [LAYOUT.centers[LAYOUT.key_of_letter[c]] for c in "the"]
    for context in ("", "we set up", "near", ""):
        lists = [d.candidates(points, context=context, k=5) for d in decoders]
        assert_same_lists(*lists, within=WITHIN)


def test_a_model_with_no_words_or_of_the_wrong_kind_is_named(packs):
    layout = row_layout(["ab", "c"])
    words = ["ab", "ba", "cab"]
    lexicon = SmallLexicon(words, np.log(np.full(3, 1 / 3, np.float32)))

    class Short(PlainModel):
        def log_probs(self, state):
            return super().log_probs(state)[:2]

    class Positive(PlainModel):
        def log_probs(self, state):
            return -super().log_probs(state)

    class Mutable(PlainModel):
        def advance(self, state, word):
            return [word]

    def found(model):
        decoder = nk.Decoder(layout, PlainTouch(layout, 0.5), SmallPack(lexicon, model))
        return decoder.decode(layout.centers[[0, 0]], context="ab", k=2)

    with pytest.raises(DecodeError, match=r"log_probs: gave shape \(2,\) for 3 words"):
        found(Short(words))
    with pytest.raises(DecodeError, match="language model: log_probs: "):
        found(Positive(words))
    with pytest.raises(DecodeError, match="cannot be hashed"):
        found(Mutable(words))
    bare = KenlmModel(packs[1].language_model._path)
    with pytest.raises(PackError, match=r"has no words; give KenlmModel\(path"):
        bare.log_probs(bare.start())
