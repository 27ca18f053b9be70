"""The hierarchical model: new people start from the population and are learnt touch by touch."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from nearkey.errors import TouchModelError
from nearkey.layout import Layout
from nearkey.touch import PeopleTouch, PersonTouch, TouchLog, concat, load_touch

LAYOUT = Layout.named("qwerty")
N_KEYS = len(LAYOUT.key_ids)


def invented_person(
    rng: np.random.Generator, n: int, spread: float = 0.3
) -> tuple[np.ndarray, np.ndarray]:
    keys = rng.integers(0, N_KEYS, n)
    own = spread * np.exp(rng.normal(0, 0.25))
    points = LAYOUT.centers[keys] + rng.normal(0, 0.2, 2) + rng.normal(size=(n, 2)) * own
    return points, keys


def people(seed: int = 0, n_people: int = 10, n: int = 250) -> PeopleTouch:
    rng = np.random.default_rng(seed)
    logs = []
    for i in range(n_people):
        points, keys = invented_person(rng, n)
        names = [LAYOUT.key_ids[k] for k in keys]
        logs.append(TouchLog.from_points(points, names, participant=f"p{i}"))
    return PeopleTouch().fit(concat(logs), LAYOUT)


POPULATION = people()


def score(model: PersonTouch | PeopleTouch, points: np.ndarray, keys: np.ndarray) -> float:
    return float(model.log_prob(points)[np.arange(len(keys)), keys].mean())


def test_a_new_person_starts_from_the_population() -> None:
    points = np.random.default_rng(1).uniform(0, 3, (20, 2))
    np.testing.assert_array_equal(POPULATION.person().log_prob(points), POPULATION.log_prob(points))


def test_how_people_differ_is_learnt() -> None:
    p = POPULATION.population_
    assert POPULATION.learnt_people_
    # Invented: offsets of people vary by 0.2 against a spread of 0.3, so a person's offset is
    # known from the population as well as from (0.3 / 0.2)² = 2.25 touches; keys have none of
    # their own, which ten people with ten touches on each can show only roughly.
    assert 0.7 < p.kappa_person < 7
    assert p.kappa_key >= 50


def test_fewer_than_three_people_leave_a_stated_default() -> None:
    rng = np.random.default_rng(2)
    points, keys = invented_person(rng, 200)
    log = TouchLog.from_points(points, [LAYOUT.key_ids[k] for k in keys], participant="ann")
    model = PeopleTouch().fit(log, LAYOUT)
    assert not model.learnt_people_
    assert model.population_.kappa_person == 5.0
    assert np.isfinite(model.person().observe(points, keys).log_prob(points)).all()


def test_touches_move_the_model_to_the_person() -> None:
    rng = np.random.default_rng(3)
    gains = []
    for _ in range(8):
        points, keys = invented_person(rng, 700)
        model = POPULATION.person()
        before = score(model, points[200:], keys[200:])
        model.observe(points[:200], keys[:200])
        gains.append(score(model, points[200:], keys[200:]) - before)
    assert np.mean(gains) > 0.2
    assert min(gains) > -0.02


def test_only_confirmed_words_teach() -> None:
    points, keys = invented_person(np.random.default_rng(4), 50)
    model = POPULATION.person()
    before = model.means_.copy()
    model.observe(points, keys, confirmed=False)
    np.testing.assert_array_equal(model.means_, before)
    assert model.n_touches_.sum() == 0
    model.observe(points, keys)
    assert model.n_touches_.sum() > 40


def test_a_certain_soft_label_is_a_label() -> None:
    points, keys = invented_person(np.random.default_rng(5), 60)
    hard = POPULATION.person().observe(points, keys)
    soft = POPULATION.person().observe(points, responsibilities=np.eye(N_KEYS)[keys])
    np.testing.assert_allclose(soft.means_, hard.means_, rtol=1e-12)
    np.testing.assert_allclose(soft.covariances_, hard.covariances_, rtol=1e-12)


def test_soft_labels_teach_less_than_hard_ones_and_towards_the_same() -> None:
    rng = np.random.default_rng(6)
    points, keys = invented_person(rng, 300)
    start = POPULATION.person(mislabelling=0.0)
    log_prob = start.log_prob(points)
    shares = np.exp(log_prob - log_prob.max(axis=1, keepdims=True))
    shares /= shares.sum(axis=1, keepdims=True)
    soft = POPULATION.person(mislabelling=0.0).observe(points, responsibilities=shares)
    half = POPULATION.person(mislabelling=0.0).observe(points, responsibilities=0.5 * shares)
    hard = POPULATION.person(mislabelling=0.0).observe(points, keys)
    assert soft.n_touches_.sum() == pytest.approx(300, abs=5)
    assert half.n_touches_.sum() == pytest.approx(150, abs=3)
    truth = hard.offset_
    assert np.linalg.norm(soft.offset_ - truth) < 0.8 * np.linalg.norm(truth)


def test_forgetting_follows_a_person_who_changes() -> None:
    rng = np.random.default_rng(7)
    first, second = invented_person(rng, 800), invented_person(rng, 1600)
    steady, fading = POPULATION.person(), POPULATION.person(forgetting=0.99)
    for model in (steady, fading):
        model.observe(*first).observe(second[0][:800], second[1][:800])
    assert score(fading, second[0][800:], second[1][800:]) > score(
        steady, second[0][800:], second[1][800:]
    )
    assert fading.n_touches_.sum() < 101


def test_what_is_kept_does_not_grow(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    model = POPULATION.person()
    sizes = []
    for n in (10, 1000):
        model.observe(*invented_person(rng, n))
        model.save(tmp_path / "p.json")
        data = json.loads((tmp_path / "p.json").read_text())["fitted"]
        sizes.append({k: np.shape(v) for k, v in data.items() if k != "population"})
    assert sizes[0] == sizes[1]


def test_a_copy_takes_back_what_was_learnt_since() -> None:
    points, keys = invented_person(np.random.default_rng(9), 40)
    model = POPULATION.person().observe(points[:20], keys[:20])
    kept = model.copy()
    before = model.means_.copy()
    model.observe(points[20:], keys[20:])
    assert not np.array_equal(model.means_, before)
    np.testing.assert_array_equal(kept.means_, before)
    kept.observe(points[20:], keys[20:])
    np.testing.assert_array_equal(kept.means_, model.means_)


def test_a_saved_person_goes_on_learning(tmp_path: Path) -> None:
    points, keys = invented_person(np.random.default_rng(10), 80)
    model = POPULATION.person(forgetting=0.995, mislabelling=0.1).observe(points[:40], keys[:40])
    model.save(tmp_path / "p.json")
    again = load_touch(tmp_path / "p.json")
    for one in (model, again):
        one.observe(points[40:], keys[40:])
    np.testing.assert_allclose(again.means_, model.means_, rtol=1e-12)
    np.testing.assert_allclose(again.covariances_, model.covariances_, rtol=1e-12)
    assert again.background_ == pytest.approx(model.background_, rel=1e-12)
    turned = again.for_layout(LAYOUT)
    assert turned.background_ == again.background_


def test_a_share_of_outliers_that_no_touches_show_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "p.json"
    POPULATION.person().observe(*invented_person(np.random.default_rng(14), 20)).save(path)
    data = json.loads(path.read_text())
    data["fitted"]["outliers"] = data["fitted"]["labelled"] + 1
    path.write_text(json.dumps(data))
    with pytest.raises(TouchModelError, match="outliers: are not some of the labelled"):
        load_touch(path)


def test_an_outlier_counts_as_far_as_the_background_explains_it() -> None:
    model = POPULATION.person().observe(*invented_person(np.random.default_rng(17), 250))
    before = model.background_
    assert 0.001 < before < 0.01
    point, key = LAYOUT.centers[[0]] + (4.0, 2.0), [0]
    flat = np.log(before / (LAYOUT.width * LAYOUT.height))
    share = float(np.exp(flat - model.log_prob(point)[0, 0]))
    assert share > 0.99
    # A beta posterior's mean: 0.01 as of 20 touches, 250 more, and this one.
    expected = (before * 270 + share) / 271
    assert model.observe(point, key).background_ == pytest.approx(expected, rel=1e-9)


def test_a_persons_share_of_outliers_is_learnt() -> None:
    rng = np.random.default_rng(15)
    points, keys = invented_person(rng, 2000)
    assert POPULATION.person().background_ == 0.01
    steady = POPULATION.person().observe(points, keys)
    assert 0.001 <= steady.background_ < 0.003
    wild = points.copy()
    slipped = rng.random(len(wild)) < 0.03
    wild[slipped] = rng.uniform(0, (LAYOUT.width, LAYOUT.height), (int(slipped.sum()), 2))
    careless = POPULATION.person().observe(wild, keys)
    assert careless.background_ == 0.01  # as given: wrong labels would look like that as well
    given = POPULATION.person()
    given.background = 0.1
    assert 0.02 < given.observe(wild, keys).background_ < 0.04
    given.background = 0.0
    assert given.background_ == 0.0
    # It goes on following her.
    follower = POPULATION.person(forgetting=0.99).observe(wild, keys).observe(points, keys)
    assert follower.background_ < 0.004


def test_learning_the_share_of_outliers_describes_new_touches_better() -> None:
    # Invented people of two kinds: none of the touches, or one in thirty, is anywhere. 0.1 is given.
    rng = np.random.default_rng(16)
    gains = []
    for share in (0.0, 1 / 30) * 4:
        points, keys = invented_person(rng, 1500)
        slipped = rng.random(len(points)) < share
        points[slipped] = rng.uniform(0, (LAYOUT.width, LAYOUT.height), (int(slipped.sum()), 2))
        model = POPULATION.person()
        model.background = 0.1
        given = model.observe(points[:500], keys[:500]).copy()
        given._known.outliers = given._known.labelled = 0.0
        assert given.background_ == 0.1
        learnt = score(model, points[500:], keys[500:])
        gains.append(learnt - score(given, points[500:], keys[500:]))
    assert min(gains) > 0.0


@pytest.mark.parametrize("kind", ["a neighbour", "any key"])
def test_wrongly_confirmed_words_do_not_run_away(kind: str) -> None:
    # Measured over eight invented people, 1,000 touches each, 10 % of the labels wrong.
    apart = np.linalg.norm(LAYOUT.centers[:, None] - LAYOUT.centers, axis=2)
    near = (apart > 0) & (apart < 1.3)
    rng = np.random.default_rng(11)
    gains, errors = [], []
    for _ in range(8):
        points, keys = invented_person(rng, 3000)
        labels = keys[:1000].copy()
        for i in np.flatnonzero(rng.random(1000) < 0.1):
            wrong = near[labels[i]] if kind == "a neighbour" else np.arange(N_KEYS) != labels[i]
            labels[i] = rng.choice(np.flatnonzero(wrong))
        true_offset = (points[:1000] - LAYOUT.centers[keys[:1000]]).mean(axis=0)
        model = POPULATION.person()
        before = score(model, points[1000:], keys[1000:])
        model.observe(points[:1000], labels)
        gains.append(score(model, points[1000:], keys[1000:]) - before)
        learnt = (model.means_ - LAYOUT.centers).mean(axis=0)
        errors.append(np.abs(learnt - true_offset).max())
    assert min(gains) > -0.02
    assert np.mean(gains) > 0.2
    assert max(errors) < 0.06


def test_bad_calls_are_refused() -> None:
    model = POPULATION.person()
    points, keys = invented_person(np.random.default_rng(12), 3)
    with pytest.raises(TouchModelError, match="keys, responsibilities: give one of the two"):
        model.observe(points)
    with pytest.raises(TouchModelError, match="keys: are not 3 indices below 26"):
        model.observe(points, [0, 1, 26])
    with pytest.raises(
        TouchModelError, match="responsibilities: are not 3 rows of 26 probabilities"
    ):
        model.observe(points, responsibilities=np.full((3, N_KEYS), 0.5))
    with pytest.raises(TouchModelError, match="forgetting: is 0"):
        POPULATION.person(forgetting=0)
    with pytest.raises(TouchModelError, match="mislabelling: is 1"):
        POPULATION.person(mislabelling=1)
    with pytest.raises(TouchModelError, match="is not fitted"):
        PersonTouch().observe(points, keys)


def test_fit_starts_the_person_anew() -> None:
    points, keys = invented_person(np.random.default_rng(13), 100)
    log = TouchLog.from_points(points, [LAYOUT.key_ids[k] for k in keys], participant="ann")
    model = POPULATION.person().observe(points, keys).observe(points, keys)
    once = POPULATION.person().partial_fit(log)
    np.testing.assert_array_equal(model.fit(log, LAYOUT).means_, once.means_)
