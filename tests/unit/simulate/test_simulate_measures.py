"""Collisions, keystrokes, speed and words, on cases worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from small_models import (
    PlainModel,
    SmallLexicon,
    SmallPack,
    SmallTableModel,
    random_ngrams,
    row_layout,
)

from nearkey.errors import PlanError
from nearkey.simulate import (
    Corpus,
    Selection,
    Speed,
    Typist,
    characteristic_kspc,
    collisions,
    finger_fitts_time,
    make_workload,
    multi_tap_kspc,
    multi_tap_presses,
)
from nearkey.simulate import workload as workload_module
from nearkey.simulate.outcomes import MEASURES, WordOutcomes
from nearkey.touch import GaussianTouch


def small_pack(shares):
    words = list(shares)
    return SmallPack(
        SmallLexicon(words, np.log(np.asarray(list(shares.values()), np.float32))),
        PlainModel(words),
    )


def test_collisions_worked_by_hand():
    """Keys ab | cd. ac, bd and ad share keys 0 1; cab stands alone; ba and ab share keys 0 0.

    First: ac .4 before bd .2 and ad .1; ba .15 before ab .05; cab .1. Beaten: bd, ad, ab: .35.
    """
    pack = small_pack({"ac": 0.4, "bd": 0.2, "ad": 0.1, "ab": 0.05, "ba": 0.15, "cab": 0.1})
    found = collisions(row_layout(["ab", "cd"]), pack)
    assert found.rate == pytest.approx(0.35, abs=1e-6)
    assert found.shared == pytest.approx(0.9, abs=1e-6)
    assert found.rank.tolist() == [1, 2, 3, 2, 1, 1]
    assert found.top == pytest.approx({1: 0.65, 3: 1.0, 5: 1.0}, abs=1e-6)
    alone = collisions(row_layout(["a", "b", "c", "d"]), pack)
    assert (alone.rate, alone.shared) == (pytest.approx(0.0, abs=1e-9), 0.0)


def test_characteristic_kspc_worked_by_hand():
    """Same keys: K = 3, 4, 5, 4, 3, 4 (touches, presses of next, space), C = 3, 3, 3, 3, 3, 4."""
    pack = small_pack({"ac": 0.4, "bd": 0.2, "ad": 0.1, "ab": 0.05, "ba": 0.15, "cab": 0.1})
    keys = 0.4 * 3 + 0.2 * 4 + 0.1 * 5 + 0.05 * 4 + 0.15 * 3 + 0.1 * 4
    characters = 0.9 * 3 + 0.1 * 4
    assert characteristic_kspc(row_layout(["ab", "cd"]), pack) == pytest.approx(
        keys / characters, rel=1e-6
    )


def test_multi_tap_worked_by_hand():
    layout = row_layout(["abc", "de"])
    assert multi_tap_presses("cab", layout) == 3 + 1 + 2
    assert multi_tap_presses("cab", layout, time_out_key=True) == 6 + 2
    assert multi_tap_presses("dad", layout, time_out_key=True) == 3
    assert multi_tap_presses("xyz", layout) is None
    pack = small_pack({"cab": 0.5, "dad": 0.5})
    assert multi_tap_kspc(layout, pack) == pytest.approx((0.5 * 9 + 0.5 * 4) / 4)


def test_selection_counts():
    touches = np.asarray([4, 4, 4, 4])
    rank = np.asarray([1, 3, 6, 0])
    spelled = np.asarray([5.0, 5.0, 7.5, 6.0])
    assert Selection("next", 5).keystrokes(touches, rank, spelled).tolist() == [5, 7, 13.5, 12]
    assert Selection("tap", 5).keystrokes(touches, rank, spelled).tolist() == [5, 5, 13.5, 12]


def test_letter_entry_without_noise_costs_the_place_on_the_key():
    layout = row_layout(["abc", "de"])
    typist = Typist(layout, GaussianTouch.from_layout(layout, spread_mm=0.01), ["cab", "ed"])
    assert typist.spelled_keystrokes(np.asarray([0, 1])).tolist() == [3 + 1 + 2, 2 + 1]
    noisy = Typist(layout, GaussianTouch.from_layout(layout, spread_mm=1.0), ["cab", "ed"])
    assert (noisy.spelled_keystrokes(np.asarray([0, 1])) > [6, 3]).all()


def test_typists_aim_where_the_letters_are_and_share_their_luck():
    words = ["ad", "da"]
    one, two = row_layout(["a", "d"]), row_layout(["ad"], name="joined")
    index = np.asarray([0, 1, 1])
    offsets = []
    for layout in (one, two):
        typist = Typist(layout, GaussianTouch.from_layout(layout, spread_mm=0.3), words)
        typing = typist.type(index, np.random.default_rng(1))
        assert typing.touches.tolist() == [2, 2, 2]
        offsets.append(typing.points - layout.centers[typing.keys])
    assert np.allclose(*offsets)


def test_finger_law_by_hand():
    """A = sqrt(2 pi e) (sigma^2 - sigma_a^2)^(1/2) (2^3 - 1) takes a + 3 b."""
    reach = np.sqrt(2 * np.pi * np.e) * np.sqrt(2.0**2 - 1.0**2) * 7
    time_s = finger_fitts_time(reach, 2.0, a_s=0.1, b_s=0.2, sigma_a_mm=1.0)
    assert float(time_s) == pytest.approx(0.7)
    # Endpoints narrower than the finger's precision are no error.
    assert np.isfinite(finger_fitts_time(5.0, 0.2, a_s=0.1, b_s=0.2, sigma_a_mm=1.0))


def test_seconds_of_a_word():
    speed = Speed(scan_s=0.25, keystroke_s=0.3, start_s=0.2)
    seconds = speed.words_s(
        np.asarray([1.0, 1.0]), np.asarray([4, 4]), np.asarray([5.0, 12.0]), np.asarray([2, 0]), 5
    )
    assert seconds.tolist() == pytest.approx([0.2 + 1 + 0.5 + 0.3, 0.2 + 1 + 1.25 + 2.4])


def test_words_of_a_text_keep_their_context():
    words = ["the", "pole", "is", "level"]
    pack = SmallPack(
        SmallLexicon(words, np.log(np.full(4, 0.25, np.float32))),
        SmallTableModel(words, random_ngrams(np.random.default_rng(0), 4, 3, 0.3), 3),
    )
    notes = Corpus.of("notes", ["The 3 theodolite pole is level."])
    letters = "theodlpisv"
    typed = make_workload(pack, notes, words=5, seed=0, letters=letters, in_context=True)
    assert typed.texts() == ["the", "theodolite", "pole", "is", "level"]
    assert typed.index.tolist() == [0, -1, 1, 2, 3]
    assert typed.known.tolist() == [True, False, True, True, True]
    assert typed.contexts == (
        "", "the 0", "the 0 theodolite", "the 0 theodolite pole", "the 0 theodolite pole is"
    )  # fmt: skip
    # The start; "the <unk>", the number; "<unk> <unk>", number and word; ...
    assert typed.states == ((1,), (3, 0), (0, 0), (0, 4), (4, 5))
    assert typed.skipped == 1
    known = make_workload(pack, notes, words=4, seed=0, letters=letters, known_only=True)
    assert (known.texts(), known.skipped) == (words, 2)
    plain = make_workload(pack, notes, words=9, seed=0, letters=letters)
    assert (len(plain), plain.states, plain.contexts) == (9, None, None)


def test_a_workload_is_cut_into_chunks(monkeypatch):
    monkeypatch.setattr(workload_module, "CHUNK_WORDS", 4)
    pack = small_pack({"ad": 0.5, "da": 0.5})
    whole = make_workload(pack, None, words=10, seed=3, letters="ad")
    assert whole.n_chunks == 3
    assert [len(whole.chunk(i)) for i in range(3)] == [4, 4, 2]
    assert [w for i in range(3) for w in whole.chunk(i).texts()] == whole.texts()


def test_bad_texts_are_named():
    pack = small_pack({"pole": 1.0})
    digits = Corpus.of("digits", ["12 34", "!"])
    for corpus, letters, says in (
        (digits, "pole", "digits: no word of it can be typed"),
        (Corpus.of("far", ["zzz"]), "pole", "far: no word of it can be typed"),
        (None, "xyz", "no word of the pack can be typed"),
    ):
        with pytest.raises(PlanError, match=says):
            make_workload(pack, corpus, words=5, seed=0, letters=letters)


def _of_five_letters(distance):
    one = np.ones(len(distance), dtype=np.int64)
    return WordOutcomes(one, one, 5 * one, 6.0 * one, 1.0 * one, distance=np.array(distance))


def test_no_interval_of_an_error_rate_or_of_a_share_leaves_its_bounds():
    # One word of forty is wrong in one character of five: the linearised interval would begin below 0.
    rare = _of_five_letters([1] + [0] * 39)
    found = MEASURES["character_error_rate"].estimate(rare)
    assert found.value == pytest.approx(1 / 200)
    assert found.low == 0.0
    often = _of_five_letters([3] + [5] * 39)
    assert MEASURES["character_error_rate"].estimate(often).high == 1.0
    # More edits than characters: the value stays, and the interval does not begin below it.
    more = MEASURES["character_error_rate"].estimate(_of_five_letters([9] * 40))
    assert (more.value, more.high) == (1.8, 1.8)
    people = MEASURES["top1"].over_people([0.99, 0.60, 1.0])
    assert (people.low, people.high) == (pytest.approx(0.2967, abs=1e-3), 1.0)
