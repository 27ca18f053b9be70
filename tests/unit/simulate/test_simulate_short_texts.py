"""A text typed over again, since it is shorter than the words asked for: it is said, and intervals do not shrink."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

from nearkey.intervals import paired_difference, proportion, ratio, ratio_difference
from nearkey.report.findings import facts
from nearkey.simulate import make_workload, rank_layouts
from nearkey.simulate.calibration import calibrate
from nearkey.simulate.score import score_layout
from nearkey.simulate.workload import Corpus
from nearkey.touch import GaussianTouch

SHARES = {"ace": 0.4, "bd": 0.2, "ad": 0.15, "bed": 0.15, "fee": 0.1}
LINES = ["ace bd ad", "bed fee", "ad ad ace bd", "bd bed fee"]  # 12 running words
PACK = SmallPack(
    SmallLexicon(list(SHARES), np.log(np.asarray(list(SHARES.values()), np.float32))),
    PlainModel(list(SHARES)),
)
LAYOUT = row_layout(["ab", "cd", "ef"], name="pairs").fitted(18, 6)
OTHER = row_layout(["abcd", "ef"], name="odd").fitted(18, 6)


def on_the_spot(layout):
    """Touches without luck: a word typed again has the outcome it had."""
    return GaussianTouch.from_layout(layout, spread=0.01, background=0.0)


def score(words, lines=LINES):
    corpus = Corpus.of("notes", lines, trained=False)
    return score_layout(
        LAYOUT, touch=on_the_spot, pack=PACK, corpus=corpus, words=words, seed=1, latency_words=0, compare=True,
        compare_words=words, completion_words=words,
    )  # fmt: skip


def width(estimate):
    low, high = (estimate["low"], estimate["high"]) if isinstance(estimate, dict) else estimate[1:]
    return high - low


def estimates(data, path=()):
    if isinstance(data, dict) and {"value", "low", "high"} <= data.keys():
        yield path, data
    elif isinstance(data, dict):
        for name, inner in data.items():
            yield from estimates(inner, (*path, name))
    elif isinstance(data, list):
        for i, inner in enumerate(data):
            yield from estimates(inner, (*path, i))


def test_a_score_says_how_often_the_text_was_typed():
    once, often = score(12), score(85)
    assert once.conditions["corpus"] == "notes"
    said = "notes, typed 7.1 times over, with intervals for its 12 words"
    assert often.conditions["corpus"] == said
    assert f"85 words of {said} (unseen by the pack)" in str(often)
    assert "times over" not in str(once)


def test_intervals_of_a_score_are_those_of_the_text_typed_once():
    once, often = score(12).to_dict(), dict(estimates(score(48).to_dict()))
    seen = 0
    for path, estimate in estimates(once):
        assert often[path]["value"] == pytest.approx(estimate["value"]), path
        assert width(often[path]) == pytest.approx(width(estimate)), path
        seen += width(estimate) > 0
    assert seen > 20


def test_intervals_of_a_ranking_are_so_too_and_its_report_says_why():
    def ranked(words, lines=LINES):
        return rank_layouts(
            [LAYOUT, OTHER], touch=on_the_spot, pack=PACK, corpus=lines, in_context=True, words=words, baseline=LAYOUT
        )  # fmt: skip

    once, often = ranked(12), ranked(48)
    for one, four in zip(once.rows, often.rows, strict=True):
        found = dict(estimates(four.to_dict()))
        for path, estimate in estimates(one.to_dict()):
            assert found[path]["value"] == pytest.approx(estimate["value"]), path
            assert width(found[path]) == pytest.approx(width(estimate)), path
    said = "text, typed 4.0 times over, with intervals for its 12 words"
    assert str(often).endswith(f"\nwords of {said}")
    assert (
        dict(facts(often, pack=None, lm_weight=None))["Words"] == f"48 typed on each layout; {said}"
    )
    # Long enough a text: nothing is said, nothing is widened.
    plain = ranked(48, LINES * 4)
    assert plain.workload.origin is None
    assert "times over" not in str(plain)
    assert width(plain.rows[0].top1) < width(often.rows[0].top1)


def test_each_running_word_of_the_text_is_known_again():
    for context in (False, True):
        one = make_workload(
            PACK, Corpus.of("notes", LINES), words=30, seed=0, letters="abcdef", in_context=context
        )
        assert one.origin is not None
        assert sorted(Counter(one.origin.tolist()).values())[0] >= 2
        assert len(set(one.origin.tolist())) == 12  # "ad ad" are two running words
        for place in set(one.origin.tolist()):
            assert len(set(one.index[one.origin == place].tolist())) == 1
        part = one.part(0, 12).origin
        assert part is not None
        assert len(set(part.tolist())) == 12


def test_intervals_over_different_words_agree_with_fewer_words():
    """Wilson's interval as scipy has it; the others against themselves with every value once."""
    stats = pytest.importorskip("scipy.stats")
    found = proportion(300, 400, different=100)
    expected = stats.binomtest(75, 100).proportion_ci(0.95, method="wilson")
    assert found == pytest.approx((0.75, expected.low, expected.high))
    rng = np.random.default_rng(3)
    a, b, c = rng.random((3, 50)) + 1.0
    again = [np.tile(x, 8) for x in (a, b, c)]
    for one, many in (
        (paired_difference(a, b), paired_difference(again[0], again[1], different=50)),
        (ratio(a, b), ratio(again[0], again[1], different=50)),
        (ratio_difference(a, c, b, c),
         ratio_difference(again[0], again[2], again[1], again[2], different=50)),
    ):  # fmt: skip
        assert many.value == pytest.approx(one.value)
        assert width(many) == pytest.approx(width(one))


def test_calibration_by_chance_is_that_of_the_different_words():
    rng = np.random.default_rng(5)
    confidence = rng.random(60)
    right = rng.random(60) < confidence
    once = calibrate(confidence, right)
    many = calibrate(np.tile(confidence, 5), np.tile(right, 5), origin=np.tile(np.arange(60), 5))
    assert many.by_chance == pytest.approx(once.by_chance)
    assert many.p_value == pytest.approx(once.p_value)
    for one, five in zip(once.bins, many.bins, strict=True):
        assert five.accuracy == pytest.approx(one.accuracy)
        assert five.expected == pytest.approx(one.expected)
