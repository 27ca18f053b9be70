"""N-gram tables whose bytes are no table: the kernel refuses them at once, whatever their checksums say."""

from __future__ import annotations

import math
import pickle
import random

import numpy as np
import pytest
from small_models import table_bytes

from nearkey._kernel import NgramTable

VOCAB = 6
NGRAMS = {(w,): (-1.0 - w, -0.5) for w in range(VOCAB)} | {
    (1, 3): (-0.5, 0.2),
    (1, 4): (-1.5, 0.0),
    (1, 5): (-2.5, -0.1),
    (3, 4): (-0.7, -0.3),
    (1, 3, 4): (-0.2, 0.0),
    (1, 3, 5): (-0.4, 0.0),
    (3, 4, 0): (-0.9, 0.0),
}
GOOD = table_bytes(NGRAMS, VOCAB, 3)
# Where the sections begin, by DEVELOPERS.md: header, log_prob, backoff, child of order 1; id, log_prob, backoff, child
# of order 2; id, log_prob of order 3. Each is padded to 8 bytes.
PROB_1, BACKOFF_1, CHILD_1 = 256, 280, 304
ID_2, PROB_2, BACKOFF_2, CHILD_2 = 336, 344, 360, 376
ID_3, PROB_3 = 400, 408


def changed(at: int, values: list[float], kind: str) -> np.ndarray:
    data = GOOD.copy()
    new = np.asarray(values, kind).view(np.uint8)
    data[at : at + len(new)] = new
    return data


def test_the_table_itself_is_read():
    table = NgramTable(GOOD)
    assert table.log_prob((1, 3), 5) == np.float32(-0.4)
    assert table.log_prob((1, 3), 2) == pytest.approx(0.2 - 0.5 - 3.0)


@pytest.mark.parametrize(
    ("at", "values", "kind", "told"),
    [
        (PROB_1, [math.nan], "<f4", "a log probability of order 1 is not finite, or above 0"),
        (PROB_1 + 8, [-math.inf], "<f4", "a log probability of order 1"),
        (PROB_2 + 4, [0.5], "<f4", "a log probability of order 2"),
        (PROB_3 + 8, [math.nan], "<f4", "a log probability of order 3"),
        (BACKOFF_1 + 20, [math.inf], "<f4", "a back-off of order 1 is not finite"),
        (BACKOFF_2, [math.nan], "<f4", "a back-off of order 2 is not finite"),
        (CHILD_1 + 4, [4, 3], "<u4", "falling values in the child offsets of order 1"),
        (CHILD_1 + 24, [5], "<u4", "wrong ends in the child offsets of order 1"),
        (CHILD_2, [1], "<u4", "wrong ends in the child offsets of order 2"),
        (CHILD_2 + 4, [2**32 - 1], "<u4", "falling values in the child offsets of order 2"),
        (ID_2, [4, 3], "<u2", "the ids of order 2 do not rise below each n-gram"),
        (ID_2 + 2, [3], "<u2", "the ids of order 2 do not rise"),
        (ID_3, [5, 4], "<u2", "the ids of order 3 do not rise"),
        (ID_3 + 4, [6], "<u2", "an n-gram of order 3 names a word outside the vocabulary"),
    ],
)
def test_each_fault_is_told(at, values, kind, told):
    with pytest.raises(ValueError, match=told):
        NgramTable(changed(at, values, kind))


def test_ids_may_fall_from_one_ngrams_followers_to_the_nexts():
    # (1, 5) is followed by (3, 4), and (1, 3, 5) by (3, 4, 0).
    assert GOOD[ID_2 : ID_2 + 8].view("<u2").tolist() == [3, 4, 5, 4]
    assert GOOD[ID_3 : ID_3 + 6].view("<u2").tolist() == [4, 5, 0]


def test_bytes_that_lie_crookedly_are_refused():
    room = np.zeros(len(GOOD) + 16, np.uint8)
    start = -room.ctypes.data % 4 + 1
    room[start : start + len(GOOD)] = GOOD
    with pytest.raises(ValueError, match="multiple of 4"):
        NgramTable(room[start : start + len(GOOD)])


def test_whatever_bytes_are_read_give_sound_answers():
    rng = random.Random(5)
    read = 0
    for _ in range(3000):
        data = GOOD.copy()
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(256, len(data))] = rng.choice([0, 127, 255, rng.randrange(256)])
        try:
            table = NgramTable(data)
        except ValueError:
            continue
        read += 1
        for context in ((), (1,), (1, 3), (3, 4), (5, 5)):
            words, log_probs = table.followers(context)
            assert (words < VOCAB).all()
            assert np.isfinite(log_probs).all()
            assert np.isfinite(table.log_probs(context, np.arange(VOCAB, dtype=np.uint32))).all()
            for word, log_prob in zip(words, log_probs, strict=True):
                assert table.log_prob(context, int(word)) == log_prob
    assert read > 300


def test_a_table_travels_by_its_bytes():
    table = NgramTable(GOOD)
    copy = pickle.loads(pickle.dumps(table))
    assert (copy.order, copy.vocab, copy.count(2)) == (3, VOCAB, 4)
    words = np.arange(VOCAB, dtype=np.uint32)
    assert copy.log_probs((1, 3), words).tolist() == table.log_probs((1, 3), words).tolist()
