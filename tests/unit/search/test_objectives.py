"""Objectives against slow obvious answers and against the simulator's own measures."""

from __future__ import annotations

import pickle
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import pytest
from small_models import SmallLexicon, SmallPack, SmallTableModel, WithoutTable, random_ngrams

from nearkey import _kernel
from nearkey.errors import LayoutError, PlanError
from nearkey.layout import Layout
from nearkey.search.letter_space import SpaceRules, grid_space
from nearkey.search.objectives import (
    AmbiguityObjective,
    BoundedObjective,
    CallableObjective,
    ContextObjective,
    FamiliarityObjective,
    Objective,
    ReachObjective,
    SpeedObjective,
    ambiguity_words,
)
from nearkey.simulate import characteristic_kspc, collisions
from nearkey.simulate.keystrokes import Speed, finger_fitts_time

QWERTY = Layout.named("qwerty")
SPACE = grid_space(QWERTY, rows=2, columns=3)


def make_pack(words=400, seed=0, longest=30):
    """Words over few letters, so that many share their keys; some as long as a lexicon's longest."""
    rng = np.random.default_rng(seed)
    found = {
        "".join(rng.choice(list("etaoinshrdlucm"), size=rng.integers(1, 7))) for _ in range(words)
    }
    found |= {"".join(rng.choice(list("abc"), size=rng.integers(20, longest))) for _ in range(20)}
    words = sorted(found)
    ngrams = random_ngrams(rng, len(words), 2, 0.05)
    p = rng.dirichlet(np.full(len(words), 0.3))
    return SmallPack(
        SmallLexicon(words, np.log(p + 1e-12).astype(np.float32)), SmallTableModel(words, ngrams, 2)
    )


@pytest.fixture(scope="module")
def pack():
    return make_pack()


def test_ambiguity_equals_the_simulators_collisions_on_1000_random_layouts(pack):
    spelled = ambiguity_words(pack, SPACE.letters)
    rng = np.random.default_rng(0)
    keys = SPACE.array(SPACE.draw(rng) for _ in range(1000))
    found = {
        m: AmbiguityObjective(spelled, m).evaluate(SPACE, keys) for m in ("top1", "top3", "kspc")
    }
    for i, row in enumerate(keys.tolist()):
        layout = SPACE.layout(row)
        exact = collisions(layout, pack, spelled=spelled)
        assert found["top1"][i] == pytest.approx(exact.top[1], abs=1e-12)
        assert found["top3"][i] == pytest.approx(exact.top[3], abs=1e-12)
        kspc = characteristic_kspc(layout, pack, found=exact, spelled=spelled)
        assert found["kspc"][i] == pytest.approx(kspc, abs=1e-12)


@pytest.mark.parametrize("n_keys", [1, 2, 9, 26])
def test_any_number_of_keys_and_the_longest_words(pack, n_keys):
    spelled = ambiguity_words(pack, SPACE.letters)
    keys = (np.arange(26) % n_keys).astype(np.uint8)
    words = _kernel.AmbiguityWords(np.ascontiguousarray(spelled.typed), spelled.share, 26)
    first, third, above = words.evaluate(keys[None], n_keys)[0]
    seen = defaultdict(int)
    expected = [0.0, 0.0, 0.0]
    for typed, share in zip(spelled.typed, spelled.share, strict=True):
        code = tuple(keys[c - 1] for c in typed if c)
        expected[0] += share * (seen[code] < 1)
        expected[1] += share * (seen[code] < 3)
        expected[2] += share * seen[code]
        seen[code] += 1
    assert (first, third, above) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("measure", ["top1", "top3", "above"])
@pytest.mark.parametrize("n_keys", [2, 6, 26])
def test_layouts_near_one_are_told_apart_exactly(pack, measure, n_keys):
    # 2 keys: hundreds of words share one. 26 keys: key sequences of 7 letters and more do not fit into 32 bits.
    spelled = ambiguity_words(pack, SPACE.letters)
    words = _kernel.AmbiguityWords(np.ascontiguousarray(spelled.typed), spelled.share, 26)
    near = _kernel.NearLayouts(words, n_keys, measure)
    rng = np.random.default_rng(n_keys)

    def costs(keys):
        found = words.evaluate(keys, n_keys)[:, ("top1", "top3", "above").index(measure)]
        return found if measure == "above" else spelled.share.sum() - found

    here = rng.integers(0, n_keys, 26).astype(np.uint8)
    for _ in range(4):
        one = np.repeat(here[None], 26, axis=0)
        one[np.arange(26), np.arange(26)] = rng.integers(0, n_keys, 26)
        some = np.repeat(here[None], 60, axis=0)
        for row in some:
            row[rng.integers(0, 26, 3)] = rng.integers(0, n_keys, 3)
        assert near.bound(here, one, np.inf) == pytest.approx(costs(one), abs=1e-12)
        assert (near.bound(here, some, np.inf) <= costs(some) + 1e-12).all()
        for keys in (one, some):
            most = float(np.median(costs(keys)))
            within = np.isfinite(near.bound(here, keys, most))
            assert within[costs(keys) <= most].all()
            assert not within.all() or n_keys == 26
        here = one[rng.integers(26)]


@pytest.mark.parametrize("measure", ["top1", "top3", "above"])
@pytest.mark.parametrize("n_keys", [3, 16, 200])
def test_moves_among_long_and_like_words_are_exact(measure, n_keys):
    # Invented words of up to 40 letters, most a letter or two from another: they meet whatever their length, several
    # at once, and some stay together wherever a letter goes.
    rng = np.random.default_rng(n_keys)
    typed = np.zeros((3000, 40), np.uint8)
    for i, row in enumerate(typed):
        if i % 5 == 0:
            row[: rng.integers(1, 41)] = 1
            row[:] *= rng.integers(1, 25, 40).astype(np.uint8)
        else:
            row[:] = typed[i - i % 5]
            places = rng.integers(0, np.count_nonzero(row), 2)
            row[places] = rng.integers(1, 25, 2)
    share = np.sort(rng.dirichlet(np.full(len(typed), 0.2)))[::-1].copy()
    words = _kernel.AmbiguityWords(typed[rng.permutation(len(typed))], share, 24)
    near = _kernel.NearLayouts(words, n_keys, measure)
    column = ("top1", "top3", "above").index(measure)
    here = rng.integers(0, min(n_keys, 8), 24).astype(np.uint8)
    for _ in range(5):
        one = np.repeat(here[None], 96, axis=0)
        one[np.arange(96), np.arange(96) % 24] = rng.integers(0, min(n_keys, 8), 96)
        cost = words.evaluate(one, n_keys)[:, column]
        cost = cost if measure == "above" else share.sum() - cost
        assert np.ptp(cost) > 0
        assert near.bound(here, one, np.inf) == pytest.approx(cost, abs=1e-12)
        assert near.bound(here, one[:1], np.inf) == pytest.approx(cost[:1], abs=1e-12)
        here = one[rng.integers(96)]


def test_evaluations_in_turn_leave_nothing_to_each_other(pack):
    # A thread keeps its memory from call to call, whatever words and keys the calls are about.
    rng = np.random.default_rng(5)
    lists = [ambiguity_words(pack, SPACE.letters, n) for n in (40, None, 3)]
    words = [
        _kernel.AmbiguityWords(np.ascontiguousarray(s.typed), s.share, len(s.letters))
        for s in lists
    ]
    asked = [
        (one, rng.integers(0, n_keys, (3, 26)).astype(np.uint8), n_keys)
        for n_keys in (26, 2, 6)
        for one in words
    ]
    in_turn = [one.evaluate(keys, n) for one, keys, n in asked]
    for (one, keys, n), found in zip(asked, in_turn, strict=True):
        with ThreadPoolExecutor(1) as fresh:
            assert np.array_equal(fresh.submit(one.evaluate, keys, n).result(), found)


def test_the_kernel_refuses_what_is_not_near(pack):
    words = _kernel.AmbiguityWords(np.asarray([[1, 2]], np.uint8), np.asarray([1.0]), 2)
    here = np.zeros(2, np.uint8)
    for n_keys, measure in ((2, "top2"), (0, "top1"), (256, "top1")):
        with pytest.raises(ValueError):
            _kernel.NearLayouts(words, n_keys, measure)
    near = _kernel.NearLayouts(words, 2, "top1")
    for first, keys in (
        (here, [[0, 2]]),
        (here + 2, [[0, 0]]),
        (here, [[0]]),
        (here[:1], [[0, 0]]),
    ):
        with pytest.raises(ValueError):
            near.bound(first, np.asarray(keys, np.uint8), 1.0)
    many = _kernel.AmbiguityWords(np.asarray([[65]], np.uint8), np.asarray([1.0]), 65)
    with pytest.raises(ValueError):
        _kernel.NearLayouts(many, 2, "top1")


def test_alphabets_of_more_letters_than_three_fit_into_a_code():
    rng = np.random.default_rng(2)
    typed = np.zeros((500, 18), np.uint8)
    for row in typed:
        n = rng.integers(1, 19)
        row[:n] = rng.integers(1, 41, n)
    share = np.sort(rng.dirichlet(np.ones(500)))[::-1].copy()
    keys = rng.integers(0, 3, 40).astype(np.uint8)
    seen: dict[tuple[int, ...], int] = defaultdict(int)
    first = 0.0
    for row, p in zip(typed, share, strict=True):
        code = tuple(keys[c - 1] for c in row if c)
        first += p * (seen[code] == 0)
        seen[code] += 1
    assert _kernel.AmbiguityWords(typed, share, 40).evaluate(keys[None], 3)[0, 0] == pytest.approx(
        first, abs=1e-12
    )


def test_threads_change_nothing(pack):
    spelled = ambiguity_words(pack, SPACE.letters)
    keys = SPACE.array(SPACE.draw(np.random.default_rng(3)) for _ in range(50))
    one, four = (
        AmbiguityObjective(spelled, "top3", threads=n).evaluate(SPACE, keys) for n in (1, 4)
    )
    assert np.array_equal(one, four)


def test_fewer_words_are_the_most_probable(pack):
    spelled = ambiguity_words(pack, SPACE.letters, 50)
    assert len(spelled.word) == 50
    assert spelled.share.sum() == pytest.approx(1.0)
    lp = np.asarray(pack.lexicon.log_probs)
    assert lp[spelled.word].min() >= np.sort(lp)[-50]


@pytest.mark.parametrize("measure", ["top1", "top3"])
def test_ambiguity_in_context_is_the_slow_sum(pack, measure):
    spelled = ambiguity_words(pack, SPACE.letters)
    objective = ContextObjective(pack, spelled, measure, contexts=40)
    keys = SPACE.array(SPACE.draw(np.random.default_rng(i)) for i in range(4))
    model, k = pack.language_model, 1 if measure == "top1" else 3
    words = [pack.lexicon.words[i] for i in spelled.word]
    for row, value in zip(keys, objective.evaluate(SPACE, keys), strict=True):
        place = {c: row[SPACE.letters.index(c)] for c in SPACE.letters}
        codes = [tuple(place[c] for c in word) for word in words]

        def top(p, codes=codes):
            groups = defaultdict(list)
            for code, one in zip(codes, p, strict=True):
                groups[code].append(one)
            return sum(sum(sorted(group)[::-1][:k]) for group in groups.values())

        expected = (1 - spelled.share[:40].sum()) * top(spelled.share)
        for word, weight in zip(words[:40], spelled.share[:40], strict=True):
            log_probs = model.table.log_probs(list(model.tokens([word])), model.tokens(words))
            p = np.exp(log_probs)
            expected += weight * top(p / p.sum())
        # The slow sum is in float64 as well, over the same float32 tables.
        assert value == pytest.approx(expected, abs=1e-9)


def test_context_needs_a_table(pack):
    bare = SmallPack(pack.lexicon, WithoutTable(pack.language_model))
    objective = ContextObjective(bare, ambiguity_words(bare, SPACE.letters))
    with pytest.raises(PlanError, match="no table"):
        objective.evaluate(SPACE, SPACE.array([SPACE.draw(np.random.default_rng(0))]))


@pytest.mark.parametrize("measure", ["top1", "top3", "kspc", "context"])
def test_no_completion_is_better_than_its_bound(pack, measure):
    spelled = ambiguity_words(pack, SPACE.letters)
    objective = (
        ContextObjective(pack, spelled, contexts=20)
        if measure == "context"
        else AmbiguityObjective(spelled, measure)
    )
    assert isinstance(objective, BoundedObjective)
    rng = np.random.default_rng(4)
    sign = 1 if objective.direction == "max" else -1
    for _ in range(30):
        keys = np.asarray(SPACE.draw(rng), dtype=np.int16)
        partial = np.where(rng.random(26) < 0.6, keys, -1).astype(np.int16)
        value = objective.evaluate(SPACE, keys[None].astype(np.uint8))[0]
        assert sign * objective.bound(SPACE, partial[None])[0] >= sign * value - 1e-12
    assert objective.bound(SPACE, keys[None])[0] == pytest.approx(value, abs=1e-12)


def test_familiarity_is_the_layouts_own_distance(pack):
    weights = {c: 1.0 + i for i, c in enumerate(SPACE.letters)}
    keys = SPACE.array(SPACE.draw(np.random.default_rng(i)) for i in range(5))
    found = FamiliarityObjective(QWERTY, weights).evaluate(SPACE, keys)
    expected = [SPACE.layout(row).distance_from(QWERTY, weights=weights) for row in keys.tolist()]
    assert found == pytest.approx(expected)


def test_reach_is_the_mean_distance_from_home():
    space = grid_space(
        QWERTY, rows=1, columns=2, width_mm=20, height_mm=10, rules=SpaceRules(sizes=(13, 13))
    )
    keys = space.array([space.draw(np.random.default_rng(0))])
    assert ReachObjective().evaluate(space, keys) == pytest.approx([5.0])
    # 13 letters at (5, 5) and 13 at (15, 5) from (5, 5).
    assert ReachObjective(home_mm=(5, 5)).evaluate(space, keys) == pytest.approx([5.0])
    only_a = ReachObjective(home_mm=(0, 5), weights={"a": 1.0}).evaluate(space, keys)
    assert only_a == pytest.approx([5.0 if keys[0][space.letters.index("a")] == 0 else 15.0])


def test_speed_is_the_sum_over_words(pack):
    space = grid_space(QWERTY, rows=2, columns=3, width_mm=18, height_mm=12)
    spelled, speed = ambiguity_words(pack, space.letters), Speed()
    keys = space.draw(np.random.default_rng(0))
    layout = space.layout(keys)
    rank = collisions(layout, pack, spelled=spelled).rank
    seconds = characters = 0.0
    for i, share in zip(spelled.word.tolist(), spelled.share, strict=True):
        word = pack.lexicon.words[i]
        at = [layout.centers[layout.key_of_letter[c]] for c in word]
        steps = [0.0, *(float(np.hypot(*(b - a))) for a, b in pairwise(at))]
        law = finger_fitts_time(
            np.asarray(steps), 2.0, a_s=speed.a_s, b_s=speed.b_s, sigma_a_mm=speed.sigma_a_mm
        )
        seconds += share * (
            speed.start_s + law.sum() + (speed.scan_s + speed.keystroke_s) * rank[i]
        )
        characters += share * (len(word) + 1)
    found = SpeedObjective(spelled, spread_mm=2.0).evaluate(space, space.array([keys]))
    assert found == pytest.approx([12 * characters / seconds])


def test_any_callable_and_its_faults():
    keys = SPACE.array(SPACE.draw(np.random.default_rng(i)) for i in range(3))
    largest = CallableObjective(
        lambda layout: max(len(k.letters) for k in layout.keys), "largest", "min"
    )
    assert isinstance(largest, Objective)
    assert largest.evaluate(SPACE, keys).tolist() == [np.bincount(row).max() for row in keys]
    with pytest.raises(LayoutError, match="nan"):
        CallableObjective(lambda layout: float("nan")).evaluate(SPACE, keys)


def test_objectives_travel(pack):
    spelled = ambiguity_words(pack, SPACE.letters)
    keys = SPACE.array([SPACE.draw(np.random.default_rng(0))])
    for objective in (
        AmbiguityObjective(spelled),
        SpeedObjective(spelled, 2.0),
        FamiliarityObjective(QWERTY),
        ReachObjective(),
    ):
        value = objective.evaluate(SPACE, keys)
        assert pickle.loads(pickle.dumps(objective)).evaluate(SPACE, keys) == value


@pytest.mark.parametrize(
    ("letters", "share", "n"),
    [
        ([[1, 0, 2]], [1.0], 3),
        ([[4, 0, 0]], [1.0], 3),
        ([[0, 0, 0]], [1.0], 3),
        ([[1, 0, 0], [2, 0, 0]], [0.4, 0.6], 3),
        ([[1, 0, 0]], [float("nan")], 3),
        ([[1, 0, 0]], [1.0], 0),
        ([[1, 0, 0]], [0.5, 0.5], 3),
    ],
)
def test_the_kernel_refuses_words_that_are_none(letters, share, n):
    with pytest.raises(ValueError):
        _kernel.AmbiguityWords(np.asarray(letters, np.uint8), np.asarray(share), n)


def test_the_kernel_refuses_keys_outside_and_contexts_that_do_not_fit():
    words = _kernel.AmbiguityWords(
        np.asarray([[1, 2], [2, 0]], np.uint8), np.asarray([0.6, 0.4]), 2
    )
    with pytest.raises(ValueError):
        words.evaluate(np.asarray([[0, 2]], np.uint8), 2)
    with pytest.raises(ValueError):
        words.evaluate(np.asarray([[0]], np.uint8), 2)
    ends = np.asarray([0, 1], np.uint32)
    for left, offset, word, p in (
        ([0.1], ends, [5], [0.1]),
        ([0.1], ends[:1], [0], [0.1]),
        ([-0.1], ends, [0], [0.1]),
        ([0.1], np.asarray([0, 2], np.uint32), [0, 1], [0.1, 0.2]),
    ):
        with pytest.raises(ValueError):
            _kernel.AmbiguityContexts(
                words, np.asarray(left), offset, np.asarray(word, np.uint32), np.asarray(p)
            )
