"""Texts that are equally probable count as equal, whatever order a decoder's rounding puts them in. Own rules."""

from __future__ import annotations

import numpy as np
from small_models import PlainModel, SmallLexicon, SmallPack

from nearkey.simulate.decoders import Answers
from nearkey.simulate.trial import place_answers
from nearkey.simulate.workload import make_workload

WORDS = ["ab", "ba", "ca"]
PACK = SmallPack(
    SmallLexicon(WORDS, np.log(np.asarray([0.4, 0.3, 0.3], np.float32))), PlainModel(WORDS)
)


def test_a_tie_is_placed_alike_for_all_decoders():
    workload = make_workload(PACK, None, words=20, seed=1, letters="abc", in_context=False)
    n = len(workload.index)
    rng = np.random.default_rng(0)
    one = np.tile([1, 0, 2], (n, 1))
    other = np.tile([0, 1, 2], (n, 1))
    scores = np.tile([-1.0, -1.0, -2.0], (n, 1))
    rounded = scores + np.where([True, True, False], 1, 0) * rng.choice([0, 1e-11], (n, 3))
    ranks = [
        place_answers(Answers(WORDS, index, log_probs), workload, WORDS)
        for index in (one, other)
        for log_probs in (scores, rounded)
    ]
    assert all((rank == ranks[0]).all() for rank in ranks)
    np.testing.assert_array_equal(ranks[0], workload.index + 1)  # the alphabet's order among equals


def test_equal_scores_for_everything_win_nothing():
    """A decoder that says the same of all texts is placed by the alphabet, not first."""
    workload = make_workload(PACK, None, words=20, seed=1, letters="abc", in_context=False)
    n = len(workload.index)
    flat = Answers(WORDS, np.tile([2, 1, 0], (n, 1)), np.zeros((n, 3)))
    np.testing.assert_array_equal(place_answers(flat, workload, WORDS), workload.index + 1)
