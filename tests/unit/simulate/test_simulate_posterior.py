"""Exact posteriors, and calibration by construction."""

from __future__ import annotations

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

from nearkey.decode import Decoder
from nearkey.errors import PlanError
from nearkey.simulate.calibration import OUTSIDE_LIST, calibrate, list_posterior
from nearkey.simulate.decoders import Answers, OwnDecoder, Queries
from nearkey.simulate.layout_score import score_decoder
from nearkey.simulate.trial import type_workload
from nearkey.simulate.workload import make_workload
from nearkey.touch import GaussianTouch

LETTERS = "abcdef'"


def random_pack(seed, n_words=60, *, table=True):
    """Words of 1 to 4 letters, some with an apostrophe, with random probabilities."""
    rng = np.random.default_rng(seed)
    words = {"a'b", "b'a"}
    while len(words) < n_words:
        words.add("".join(rng.choice(list("abcdef"), rng.integers(1, 5))))
    listed = sorted(words)
    ngrams = random_ngrams(rng, n_words, 3, 0.15)
    # Not the table's unigrams: those of a smoothed model are the share of contexts that a word follows.
    log_probs = np.asarray([ngrams[(3 + i,)][0] for i in range(n_words)], np.float32)
    log_probs -= rng.uniform(0, 3, n_words).astype(np.float32)
    model = SmallTableModel(listed, ngrams, 3) if table else PlainModel(listed)
    return SmallPack(SmallLexicon(listed, log_probs), model)


def softmax_of_all(decoder, layout, pack, touches, state):
    """Every word scored by the definition: log p(touches | keys) + log P(word | state), best spelling."""
    density = decoder.touch.log_prob(touches)
    scores = {}
    for i, word in enumerate(pack.lexicon.words):
        spellings = (
            {word, word.replace("'", "")} if "'" in layout.letters else {word.replace("'", "")}
        )
        for typed in spellings:
            if len(typed) != len(touches):
                continue
            touch = sum(density[t, layout.key_of_letter[c]] for t, c in enumerate(typed))
            if state is None:
                language = float(pack.lexicon.log_probs[i])
            else:
                language = float(pack.language_model.log_probs(state)[i])
            scores[i] = max(scores.get(i, -np.inf), touch + language)
    total = np.logaddexp.reduce(list(scores.values()))
    return {i: score - total for i, score in scores.items()}


@pytest.mark.parametrize("groups", [list(LETTERS), ["ab", "cd", "ef"], ["abc'", "def"]])
@pytest.mark.parametrize("kind", ["no context", "table", "outside model"])
def test_the_posterior_is_the_softmax_over_every_word_of_the_length(groups, kind):
    """Against the definition, worked out word by word."""
    pack = random_pack(3, table=kind != "outside model")
    layout = row_layout(groups)
    decoder = Decoder(layout, PlainTouch(layout, 0.6), pack)
    rng = np.random.default_rng(5)
    model, words = pack.language_model, pack.lexicon.words
    states, target, points = [], [], []
    for _ in range(40):
        state = model.start()
        for word in rng.choice(words, 2):
            state = model.advance(state, str(word))
        states.append(state)
        target.append(int(rng.integers(len(words))))
        n = len(words[target[-1]].replace("'", ""))
        points.append(rng.uniform([0, 0], [len(groups), 1], (n, 2)))
    offsets = np.concatenate([[0], np.cumsum([len(p) for p in points])]).astype(np.uint32)
    queries = Queries(
        np.concatenate(points), offsets, None, None if kind == "no context" else tuple(states)
    )
    found = OwnDecoder(decoder).posterior(queries, np.asarray([*target[:-1], -1]))
    for i in range(40):
        state = None if kind == "no context" else states[i]
        expected = softmax_of_all(decoder, layout, pack, points[i], state)
        assert found.first[i] == pytest.approx(np.exp(max(expected.values())), rel=1e-6)
        if i < 39:
            assert found.target[i] == pytest.approx(expected[target[i]], rel=1e-5, abs=1e-6)
    assert found.target[39] == -np.inf  # a word outside the lexicon


def calibration_of(assumed_spread, *, seed=1):
    pack = random_pack(11)
    shares = np.exp(pack.lexicon.log_probs.astype(float))
    pack.lexicon.log_probs[:] = np.log(shares / shares.sum())
    layout = row_layout(["ab", "cd", "ef"])
    generating = GaussianTouch.from_layout(layout, spread=0.6, background=0.0)
    assumed = GaussianTouch.from_layout(layout, spread=assumed_spread, background=0.0)
    words = make_workload(
        pack, None, words=4000, seed=seed, letters=layout.letters, in_context=False
    )
    typed = type_workload(layout, generating, words, seed=seed)
    decoder = OwnDecoder(Decoder(layout, assumed, pack))
    return score_decoder(typed, decoder, lexicon=pack.lexicon.words, name="x").calibration


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_posterior_that_is_right_by_design_is_found_calibrated(seed):
    """Words drawn by the decoder's own probabilities, touches by its own model: Bayes' rule is then exact."""
    found = calibration_of(0.6, seed=seed)
    assert found.p_value > 0.01
    assert found.error < 1.5 * found.by_chance[1]


def test_a_decoder_that_trusts_its_touches_too_much_is_not():
    found = calibration_of(0.35)
    assert found.p_value < 0.01
    assert found.error > 3 * found.by_chance[1]
    assert found.confidence > found.accuracy + 0.03


def test_a_decoder_that_trusts_its_touches_too_little_is_not():
    found = calibration_of(1.2)
    assert found.p_value < 0.01
    assert found.confidence < found.accuracy - 0.03


def test_calibration_error_worked_by_hand():
    """Two bins of (0, .5] and (.5, 1]: |1/4 - .35| x 4/6 + |1/2 - .8| x 2/6 = 1/15 + 1/10."""
    confidence = np.asarray([0.2, 0.3, 0.4, 0.5, 0.7, 0.9])
    right = np.asarray([False, False, True, False, True, False])
    found = calibrate(confidence, right, bins=2)
    assert found.error == pytest.approx(1 / 15 + 1 / 10)
    assert [b.words for b in found.bins] == [4, 2]
    assert [b.confidence for b in found.bins] == pytest.approx([0.35, 0.8])


def test_bad_probabilities_are_refused():
    with pytest.raises(PlanError, match="not a probability"):
        calibrate(np.asarray([0.5, 1.2]), np.asarray([True, False]))
    with pytest.raises(PlanError):
        calibrate(np.asarray([]), np.asarray([], dtype=bool))
    with pytest.raises(PlanError, match="not a probability"):
        calibrate(np.asarray([np.nan]), np.asarray([True]))


def test_a_list_is_normalised_by_its_sum_or_by_the_total_it_gives():
    index = np.asarray([[0, 1], [0, -1], [-1, -1]])
    scores = np.asarray([[np.log(3.0), 0.0], [-5.0, -np.inf], [-np.inf, -np.inf]])
    rank = np.asarray([2, 0, 0])
    found = list_posterior(Answers(["x", "y"], index, scores), rank, 100)
    assert found.first == pytest.approx([0.75, 1.0, 0.0])
    outside = OUTSIDE_LIST / 100
    listed = 0.25 * (1 - OUTSIDE_LIST) + outside
    assert np.exp(found.target) == pytest.approx([listed, outside, outside])
    total = np.log([8.0, 1.0, 1.0])
    told = list_posterior(Answers(["x", "y"], index, scores, total), rank, 100)
    assert told.first == pytest.approx([3 / 8, np.exp(-5), 0.0])
    assert list_posterior(Answers(["x"], index), rank, 100) is None
