"""Replaying recorded touches. Own rules, no outside source; the open data's source stands by its test."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from small_models import PlainModel, PlainTouch, SmallLexicon, SmallPack, row_layout

import nearkey as nk
from nearkey.errors import PlanError
from nearkey.simulate.replay import (
    RecordedTouches,
    RecordedWords,
    ReplayTouch,
    log_near,
    replay_gap,
)
from nearkey.simulate.typist import Typist
from nearkey.touch import GaussianTouch, TouchLog

LAYOUT = row_layout(["ab", "cd", "ef"])


def recorded(n=600, *, people=("p1", "p2"), seed=0, spread=0.2):
    """Invented touches on the row's keys: key i is off by (0.1 i, -0.1 i)."""
    rng = np.random.default_rng(seed)
    key = rng.integers(0, 3, n)
    offset = rng.normal(0, spread, (n, 2)) + np.column_stack([0.1 * key, -0.1 * key])
    log = TouchLog.from_points(
        LAYOUT.centers[key] + offset,
        np.asarray(LAYOUT.key_ids)[key],
        participant=rng.choice(people, n).tolist(),
    )
    return RecordedTouches.of(log, LAYOUT), key


def test_touches_are_real_ones_from_the_nearest_key_moved_with_it():
    touches, key = recorded()
    replay = ReplayTouch(LAYOUT, touches, PlainTouch(LAYOUT, 0.2), at_mm=(0.0, 0.0), nearest=50)
    aimed = np.repeat([0, 1, 2], 400)
    drawn = replay.sample(aimed, np.random.default_rng(1)) - LAYOUT.centers[aimed]
    for i in range(3):
        own = {tuple(np.round(o, 9)) for o in touches.offset_mm[key == i]}
        found = {tuple(np.round(o, 9)) for o in drawn[aimed == i]}
        assert found <= own
        assert 40 < len(found) <= 50


def test_offsets_stay_in_millimetres_whatever_the_layout():
    """A layout in units of 5 mm on which the keys are five times as large."""
    touches, _ = recorded()
    large = LAYOUT.fitted(15.0, 5.0)
    units = nk.Layout.from_dict({**LAYOUT.to_dict(), "unit_mm": 5.0})
    same = np.random.default_rng(3), np.random.default_rng(3)
    aimed = np.asarray([0, 1, 2, 1])
    in_mm = ReplayTouch(large, touches, PlainTouch(large, 1.0)).sample(aimed, same[0])
    in_units = ReplayTouch(units, touches, PlainTouch(units, 1.0)).sample(aimed, same[1])
    assert in_mm == pytest.approx(5.0 * in_units)


def test_a_key_draws_from_keys_of_its_size_where_places_are_alike():
    n = 200
    touches = RecordedTouches(
        np.full(n, "p1"),
        np.repeat([[1.0, 0.0], [2.0, 0.0]], n // 2, axis=0),
        np.full((n, 2), 5.0),
        np.repeat([[1.0, 1.0], [3.0, 3.0]], n // 2, axis=0),
        (10.0, 10.0),
    )
    for side, offset in ((1.2, 1.0), (2.7, 2.0)):
        layout = row_layout(["ab"]).fitted(side, side)
        replay = ReplayTouch(layout, touches, PlainTouch(layout, 1.0))
        drawn = replay.sample(np.zeros(20, int), np.random.default_rng(0))
        assert drawn[:, 0] - side / 2 == pytest.approx(offset)


def test_two_layouts_take_the_same_luck():
    touches, _ = recorded()
    a, b = np.random.default_rng(5), np.random.default_rng(5)
    other = row_layout(["abc", "def"])
    ReplayTouch(LAYOUT, touches, PlainTouch(LAYOUT, 1.0)).sample(np.asarray([0, 1, 2]), a)
    ReplayTouch(other, touches, PlainTouch(other, 1.0)).sample(np.asarray([0, 1, 1]), b)
    assert a.random() == b.random()


def test_a_typist_can_type_with_them():
    touches, _ = recorded()
    typist = Typist(LAYOUT, ReplayTouch(LAYOUT, touches, PlainTouch(LAYOUT, 0.2)), ["ace", "bd"])
    typing = typist.type(np.asarray([0, 1, 0]), np.random.default_rng(0))
    assert typing.touches.tolist() == [3, 2, 3]
    assert (typist.spelled_keystrokes(np.asarray([0, 1])) >= [3, 2]).all()


def test_people_and_halves_are_kept_apart():
    touches, _ = recorded()
    one = touches.of_participant("p1")
    assert set(one.participant) == {"p1"}
    assert len(one) + len(touches.others("p1")) == len(touches)
    first, second = one.halves(np.random.default_rng(0))
    assert abs(len(first) - len(second)) <= 1
    assert not {tuple(o) for o in first.offset_mm} & {tuple(o) for o in second.offset_mm}
    with pytest.raises(PlanError, match="no touches of 'p9'"):
        touches.of_participant("p9")


def test_touches_carried_over_fit_a_model_with_their_mean_and_spread():
    touches, _ = recorded(6000)
    log = log_near(touches, LAYOUT, at_mm=(0.0, 0.0), nearest=1500)
    model = GaussianTouch().fit(log, LAYOUT)
    offsets = model.means_ - LAYOUT.centers
    assert offsets == pytest.approx(np.asarray([[0, 0], [0.1, -0.1], [0.2, -0.2]]), abs=0.02)
    assert np.sqrt(model.covariances_[:, 0, 0]) == pytest.approx(np.full(3, 0.2), abs=0.01)


def small_pack():
    words = ["ace", "bed", "add", "fab", "cab", "deaf", "be", "da"]
    shares = np.linspace(2, 1, len(words))
    lexicon = SmallLexicon(words, np.log(shares / shares.sum()).astype(np.float32))
    return SmallPack(lexicon, PlainModel(words))


def test_without_a_gap_in_truth_none_is_found():
    """Touches of every person drawn from one Gaussian: replaying them is as drawing from it."""
    touches, _ = recorded(8000, people=[f"p{i}" for i in range(8)], spread=0.35)
    gap = replay_gap(
        LAYOUT, touches, pack=small_pack(), words_each=150, at_mm=(0.0, 0.0), nearest=150
    )
    for row in gap.rows:
        assert row.participants == 8
        assert abs(row.to_matched.value) < 0.03


def test_a_model_of_other_people_costs_where_people_differ():
    touches, _ = recorded(4000, people=[f"p{i}" for i in range(4)], spread=0.2)
    shift = {f"p{i}": 0.4 * (i % 2 * 2 - 1) for i in range(4)}
    moved = touches.offset_mm + np.asarray([[shift[p], 0.0] for p in touches.participant])
    apart = RecordedTouches(
        touches.participant, moved, touches.place_mm, touches.size_mm, touches.surface_mm
    )
    gap = replay_gap(LAYOUT, apart, pack=small_pack(), words_each=100, at_mm=(0.0, 0.0))
    assert abs(gap.row("replayed").to_matched.value) < 0.05
    assert gap.row("replayed, leave-one-person-out").to_matched.high < -0.05
    assert "leave-one-person-out" in str(gap)


def test_one_person_gives_no_interval():
    touches, _ = recorded(people=("p1",))
    with pytest.raises(PlanError, match="no interval"):
        replay_gap(LAYOUT, touches, pack=small_pack())


def test_a_gap_is_asked_for_by_its_own_keywords():
    touches, _ = recorded()
    with pytest.raises(PlanError, match="words: are each person's own; give words_each"):
        replay_gap(LAYOUT, touches, pack=small_pack(), words=100)
    gap = replay_gap(LAYOUT, touches, pack=small_pack(), words_each=20)
    with pytest.raises(PlanError, match="'other' is no condition"):
        gap.row("other")


@pytest.mark.reference
def test_thumbs_on_a_phone_are_replayed_as_they_were():
    """Larsen, Jacobsen, Boring, Bergström & Pohl, MobileHCI 2019, doi:10.1145/3338286.3340115, CC BY 4.0.

    Replayed touches have the mean and spread of the person's own taps around the strip.
    """
    sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks" / "touch"))
    from open_touches import HEIGHT_MM, WIDTH_MM, open_touches, phone_grid

    folder = Path(os.environ.get("NEARKEY_DATA", "")) / "touch_accuracy"
    if not (folder / "taps_phone_b.csv").is_file():
        pytest.skip("the open touch data is not here; NEARKEY_DATA names its folder")
    grid = phone_grid()
    person = RecordedTouches.of(open_touches(folder, grid), grid).of_participant("1")
    assert len(person) == 500
    layout = nk.Layout.named("qwerty").fitted(WIDTH_MM, HEIGHT_MM)
    replay = ReplayTouch(layout, person, PlainTouch(layout, 2.0), at_mm=(0.0, 0.0), nearest=500)
    aimed = np.zeros(20_000, dtype=int)
    drawn = replay.sample(aimed, np.random.default_rng(0)) - layout.centers[0]
    assert drawn.mean(axis=0) == pytest.approx(person.offset_mm.mean(axis=0), abs=0.05)
    assert drawn.std(axis=0) == pytest.approx(person.offset_mm.std(axis=0), rel=0.05)


def test_recorded_words_are_made_of_the_logs_own_touches():
    """Keys ab and cd have touches on the spot, ef none: words with e or f are not drawn, and the rest read well."""
    key = np.repeat([0, 1], 30)
    offset = np.random.default_rng(2).normal(0, 0.05, (60, 2))
    log = TouchLog.from_points(
        LAYOUT.centers[key] + offset, np.asarray(LAYOUT.key_ids)[key], participant="p1"
    )
    words = RecordedWords(LAYOUT, small_pack(), words=50, seed=1)
    right, typed = words(PlainTouch(LAYOUT, 0.2), log)
    assert typed == 50
    # Of the words, add, cab and da have no e or f; each has keys of its own.
    assert right == 50
    assert words(PlainTouch(LAYOUT, 0.2), log) == (right, typed)
    shifted = TouchLog.from_points(
        log.points + np.asarray([1.0, 0.0]), log.target.tolist(), participant="p2"
    )
    assert words(PlainTouch(LAYOUT, 0.2), shifted)[0] < 25
    only = TouchLog.from_points(LAYOUT.centers[[1, 1]], [LAYOUT.key_ids[1]] * 2, participant="p3")
    assert words(PlainTouch(LAYOUT, 0.2), only) == (0, 0)
