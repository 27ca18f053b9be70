"""Laws of the one simulation, whatever the layouts, words and seeds. Own rules, no outside source."""

from __future__ import annotations

import math
import tempfile
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_models import PlainModel, SmallLexicon, SmallPack, row_layout

from nearkey.intervals import ratio
from nearkey.simulate import (
    Condition,
    Selection,
    SimulationOptions,
    TypingTrial,
    WordOutcomes,
    characteristic_kspc,
    collisions,
    make_workload,
    rank_layouts,
)
from nearkey.simulate import workload as workload_module
from nearkey.simulate.decoders import Posterior
from nearkey.simulate.outcomes import MEASURES
from nearkey.simulate.running import run_trials
from nearkey.touch import GaussianTouch

LETTERS = "abcdef"
WORDS = ["ace", "bed", "add", "fab", "cab", "deaf", "be", "da", "a", "fad", "face", "beef", "dab"]
TEXT = ["bed a cab, fade", "Ace be deaf", "add a fad dab feed", "beef face"]
fast = settings(max_examples=15, deadline=None)


@pytest.fixture(autouse=True, scope="module")
def small_chunks():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workload_module, "CHUNK_WORDS", 20)
        yield


@cache
def pack(seed=0):
    share = np.random.default_rng(seed).dirichlet(np.ones(len(WORDS)))
    return SmallPack(SmallLexicon(WORDS, np.log(share).astype(np.float32)), PlainModel(WORDS))


@st.composite
def layouts(draw, least=1, most=4):
    """Rows of keys that part the letters, all on one surface; no two alike."""
    cuts = st.frozensets(st.integers(1, len(LETTERS) - 1))
    chosen = draw(st.lists(cuts, min_size=least, max_size=most, unique=True))
    found = []
    for cut in chosen:
        ends = [0, *sorted(cut), len(LETTERS)]
        groups = [LETTERS[a:b] for a, b in pairwise(ends)]
        found.append(row_layout(groups, name="-".join(groups)).fitted(24, 5))
    return found


def touch(layout):
    return GaussianTouch.from_layout(layout, spread_mm=2.0)


def ranked(which, **options):
    given_ = {"touch": touch, "pack": pack(), "words": 70, "corpus": TEXT} | options
    return rank_layouts(which, **given_)


@fast
@given(layouts(), st.integers(0, 99), st.integers(1, 4), st.booleans(), st.booleans())
def test_a_table_does_not_depend_on_how_the_work_is_spread(which, seed, workers, outside, early):
    one = ranked(which, seed=seed, early_stop=early)
    with ThreadPoolExecutor(3) as pool:
        spread = {"workers": workers, "executor": pool if outside else None}
        assert ranked(which, seed=seed, early_stop=early, **spread).to_dicts() == one.to_dicts()


@fast
@given(layouts(most=1), st.integers(0, 99), st.permutations(range(4)))
def test_chunks_come_out_alike_in_any_order(which, seed, order):
    options = SimulationOptions.of({"words": 70, "seed": seed, "corpus": TEXT})
    work = make_workload(
        pack(), options.corpus, words=70, seed=seed, letters=LETTERS, in_context=True
    )
    trial = TypingTrial(
        Condition.matched(which[0], touch(which[0])), pack(), work.vocabulary, options, k=5
    )
    together = run_trials({"x": trial}, work, options)["x"].outcomes
    for chunk in order:
        alone = run_trials({"x": trial}, work, options, chunks=range(chunk, chunk + 1))["x"]
        before = together.select(slice(20 * chunk, 20 * (chunk + 1)))
        for name in ("rank", "first", "characters", "keystrokes", "seconds", "origin"):
            np.testing.assert_array_equal(getattr(alone.outcomes, name), getattr(before, name))


@fast
@given(layouts(least=2), st.integers(0, 99), st.sampled_from(["top1", "kspc", "wpm"]), st.data())
def test_permuting_layouts_permutes_rows(which, seed, by, data):
    one = ranked(which, seed=seed, by=by)
    other = ranked(data.draw(st.permutations(which)), seed=seed, by=by)
    for row in one.rows:
        again = other.row(row.layout)
        for name in (*one.MEASURES, "collision", "words"):
            assert getattr(again, name) == getattr(row, name)
    assert [getattr(r, by).value for r in one.rows] == [getattr(r, by).value for r in other.rows]


@fast
@given(layouts(), st.integers(0, 99), st.integers(0, 2000))
def test_a_checkpoint_cut_at_any_byte_goes_on_to_the_same_table(which, seed, left):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.jsonl"
        whole = ranked(which, seed=seed, checkpoint=path)
        data = path.read_bytes()
        path.write_bytes(data[: left % (len(data) + 1)])
        assert ranked(which, seed=seed, checkpoint=path).to_dicts() == whole.to_dicts()
        assert sorted(path.read_bytes().splitlines()) == sorted(data.splitlines())


@fast
@given(layouts(most=2), st.floats(0.05, 40.0), st.integers(0, 99))
def test_scaling_layouts_and_their_touches_together_changes_no_share(which, scale, seed):
    def in_key_sizes(layout):
        return GaussianTouch.from_layout(layout, spread=0.4)

    one = ranked(which, seed=seed, touch=in_key_sizes)
    other = ranked([layout.scaled(scale) for layout in which], seed=seed, touch=in_key_sizes)
    for row in one.rows:
        again = other.row(row.layout)
        assert (again.top1, again.top3, again.collision) == (row.top1, row.top3, row.collision)
        assert again.kspc.value == pytest.approx(row.kspc.value)


@fast
@given(layouts(most=1), st.integers(0, 99))
def test_without_noise_a_ranking_measures_collisions_and_the_characteristic_kspc(which, seed):
    """Each word stands where the words of its keys leave it, so the measured KSPC of the words typed is the
    characteristic one over their frequencies."""
    layout, words = which[0], pack(seed)
    perfect = GaussianTouch.from_layout(layout, spread_mm=1e-3, background=0.0)
    found = rank_layouts(
        [layout],
        touch=perfect,
        pack=words,
        words=200,
        seed=seed,
        selection=Selection(k=len(WORDS)),
    )
    index, outcomes = found.workload.index, found.scored[layout.name].outcomes
    exact = collisions(layout, words)
    assert outcomes.rank.tolist() == exact.rank[index].tolist()
    assert found.rows[0].top1.value == np.mean(exact.rank[index] == 1)
    share = np.bincount(index, minlength=len(WORDS)) / len(index)
    with np.errstate(divide="ignore"):
        typed = SmallPack(SmallLexicon(WORDS, np.log(share)), PlainModel(WORDS))
    measured = found.rows[0].kspc.value
    assert measured == pytest.approx(characteristic_kspc(layout, typed, found=exact), rel=1e-9)


@st.composite
def outcomes(draw, n):
    number = {"min_size": n, "max_size": n}
    rank = draw(st.lists(st.integers(0, 12), **number))
    length = np.asarray(draw(st.lists(st.integers(1, 9), **number)))
    given_ = np.asarray(draw(st.lists(st.floats(-20, 0), **number)))
    more = np.asarray(draw(st.lists(st.floats(0, 30), **number)))
    return WordOutcomes(
        np.asarray(rank),
        np.zeros(n, np.int64),
        length,
        length + 1 + more,
        0.5 + more,
        None,
        np.asarray(draw(st.lists(st.integers(0, 9), **number))),
        Posterior(np.exp(given_), given_, "invented"),
    )


@settings(max_examples=60, deadline=None)
@given(st.data(), st.integers(1, 12), st.integers(1, 12), st.sampled_from(sorted(MEASURES)))
def test_a_measure_of_a_union_is_the_weighted_measure_of_its_parts(data, n, m, name):
    measure = MEASURES[name]
    parts = [data.draw(outcomes(n)), data.draw(outcomes(m))]
    whole = measure.estimate(WordOutcomes.join(parts)).value
    weights, values = [], []
    for part in parts:
        chosen = part if measure.among is None else part.select(measure.among(part))
        if len(chosen):
            weights.append(measure.terms(chosen)[1].sum())
            values.append(measure.estimate(part).value)
    if weights:
        assert whole == pytest.approx(np.average(values, weights=weights))
    else:
        assert math.isnan(whole)


@settings(max_examples=60, deadline=None)
@given(st.data(), st.integers(2, 12), st.sampled_from(["top1", "top3", "kspc", "wpm"]))
def test_a_paired_difference_is_antisymmetric_and_none_to_itself(data, n, name):
    measure = MEASURES[name]
    one, other = data.draw(outcomes(n)), data.draw(outcomes(n))
    there, back = measure.difference(one, other), measure.difference(other, one)
    assert tuple(there) == pytest.approx((-back.value, -back.high, -back.low))
    assert measure.difference(one, one) == (0.0, 0.0, 0.0)
    assert measure.gain(one, other).value == pytest.approx(
        there.value if measure.more_is_better else -there.value
    )
    # Linearised word by word, it has the value and the interval of the measure.
    linear = measure.per_word(one)
    expected = ratio(*measure.terms(one))
    assert linear.mean() == pytest.approx(expected.value * measure.scale)
    assert 1.96 * linear.std(ddof=1) / math.sqrt(n) == pytest.approx(
        expected.half * measure.scale, rel=1e-3
    )
