"""Intervals and keystroke measures against libraries and published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from small_models import PlainModel, SmallLexicon, SmallPack

import nearkey as nk
from nearkey.intervals import paired_difference, proportion, ratio
from nearkey.simulate import characteristic_kspc, multi_tap_kspc, multi_tap_presses

pytestmark = pytest.mark.reference

# Relative frequencies of English letters in per cent: Lewand, Cryptological Mathematics (2000), as
# given in secondary sources.
LETTERS = {
    "a": 8.167, "b": 1.492, "c": 2.782, "d": 4.253, "e": 12.702, "f": 2.228, "g": 2.015, "h": 6.094,
    "i": 6.966, "j": 0.153, "k": 0.772, "l": 4.025, "m": 2.406, "n": 6.749, "o": 7.507, "p": 1.929,
    "q": 0.095, "r": 5.987, "s": 6.327, "t": 9.056, "u": 2.758, "v": 0.978, "w": 2.360, "x": 0.150,
    "y": 1.974, "z": 0.074,
}  # fmt: skip


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (3, 10), (10, 10), (4931, 5000), (1, 1)])
def test_wilson_intervals_are_those_of_scipy(hits, n):
    expected = stats.binomtest(hits, n).proportion_ci(method="wilson")
    found = proportion(hits, n)
    assert found.low == pytest.approx(expected.low, abs=1e-12)
    assert found.high == pytest.approx(expected.high, abs=1e-12)


def test_paired_intervals_are_those_of_scipy():
    rng = np.random.default_rng(0)
    a, b = rng.random(4000), rng.random(4000)
    found = paired_difference(a, b)
    low, high = stats.norm.interval(0.95, loc=(a - b).mean(), scale=stats.sem(a - b))
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-12)


def test_ratio_intervals_agree_with_the_bootstrap_of_scipy():
    rng = np.random.default_rng(1)
    base = rng.integers(2, 12, 3000).astype(float)
    top = base * rng.normal(1.1, 0.2, 3000) + rng.normal(0, 1, 3000)
    found = ratio(top, base)
    boot = stats.bootstrap(
        (top, base), lambda a, b, axis: a.sum(axis) / b.sum(axis), paired=True, vectorized=True,
        n_resamples=2000, rng=np.random.default_rng(2), method="percentile",
    ).confidence_interval  # fmt: skip
    assert found.low == pytest.approx(boot.low, abs=0.15 * (boot.high - boot.low))
    assert found.high == pytest.approx(boot.high, abs=0.15 * (boot.high - boot.low))


def test_multi_tap_on_letters_alone():
    """Sum of p(letter) x place on its E.161 key = 2.1491, no space: exact from the letter table above."""
    layout = nk.Layout.named("e161")
    presses = sum(p / 100 * multi_tap_presses(c, layout) for c, p in LETTERS.items())
    assert presses == pytest.approx(2.1491, abs=5e-5)


def test_a_multi_tap_message():
    """WHERE DO U WANT 2 MEET L8R is 47 presses: a textbook exercise, recounted by hand.

    where 10, do 4, u 2, want 5, 2 (after the letters of its key) 4, meet 6, l8r 3 + 4 + 3, and one press
    for each of the 6 spaces.
    """
    layout = nk.Layout.named("e161")
    words = ["where", "do", "u", "want", "2", "meet", "l8r"]

    def presses(word):
        total = 0
        for c in word:
            key = [k for k in layout.keys if k.id.endswith(c)] if c.isdigit() else []
            total += len(key[0].letters) + 1 if key else multi_tap_presses(c, layout)
        return total

    assert [presses(w) for w in words] == [10, 4, 2, 5, 4, 6, 10]
    assert sum(presses(w) for w in words) + len(words) - 1 == 47


@pytest.fixture(scope="module")
def english():
    return nk.load_pack("en")


def test_kspc_of_the_telephone_keypad_stands_near_the_published_values(english):
    """MacKenzie, "KSPC as a characteristic of text entry techniques" (MobileHCI 2002), values from memory:
    multi-tap 2.03, dictionary-based disambiguation 1.007, space included.

    The word list differs: ours is larger and from other text, so more words collide and the shares of
    letters differ a little. Bands of 5 % around multi-tap and 1.00 to 1.03 for disambiguation hold for any
    list of everyday English.
    """
    layout = nk.Layout.named("e161")
    assert multi_tap_kspc(layout, english) == pytest.approx(2.03, rel=0.05)
    assert 1.0 < characteristic_kspc(layout, english) < 1.03


def test_qwerty_has_a_kspc_of_one():
    """One key a letter and no collision: 1 by definition (MacKenzie 2002)."""
    words = ["it", "is", "level", "here"]
    pack = SmallPack(SmallLexicon(words, np.log(np.full(4, 0.25, np.float32))), PlainModel(words))
    assert characteristic_kspc(nk.Layout.named("qwerty"), pack) == pytest.approx(1.0)
