"""Laws of the hierarchical model: order does not matter, doubt only shrinks, scale carries over."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nearkey.layout import Layout
from nearkey.touch import PeopleTouch, PersonTouch, TouchLog, concat

LAYOUT = Layout.named("qwerty")
seeds = st.integers(0, 2**32 - 1)


def population(layout: Layout) -> PeopleTouch:
    ratio = layout.width / LAYOUT.width
    rng = np.random.default_rng(0)
    logs = []
    for i in range(5):
        keys = rng.integers(0, 26, 150)
        offsets = rng.normal(0, 0.2, 2) + rng.normal(size=(150, 2)) * 0.3
        points = (LAYOUT.centers[keys] + offsets) * ratio
        names = [LAYOUT.key_ids[k] for k in keys]
        logs.append(TouchLog.from_points(points, names, participant=f"p{i}"))
    return PeopleTouch().fit(concat(logs), layout)


POPULATION = population(LAYOUT)
LARGE = LAYOUT.scaled(3.0)
LARGE_POPULATION = population(LARGE)


def even(people: PeopleTouch) -> PeopleTouch:
    """The same population with one covariance on all keys, where the posterior is exact."""
    people.population_.covariance[:] = people.population_.covariance.mean(axis=0)
    return people


EVEN = even(population(LAYOUT))


def touches(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, 26, n)
    return LAYOUT.centers[keys] + rng.normal(size=(n, 2)) * 0.4, keys


@settings(max_examples=30, deadline=None)
@given(seeds, st.integers(1, 40))
def test_order_does_not_matter(seed: int, n: int) -> None:
    points, keys = touches(seed, n)
    order = np.random.default_rng(seed + 1).permutation(n)
    a = EVEN.person(mislabelling=0.0).observe(points, keys)
    b = EVEN.person(mislabelling=0.0).observe(points[order], keys[order])
    np.testing.assert_allclose(a.means_, b.means_, rtol=1e-9)
    np.testing.assert_allclose(a.covariances_, b.covariances_, rtol=1e-8)


@settings(max_examples=30, deadline=None)
@given(seeds, st.integers(1, 30), st.integers(1, 5))
def test_pieces_equal_the_whole(seed: int, n: int, piece: int) -> None:
    points, keys = touches(seed, n)
    whole = POPULATION.person(forgetting=0.98).observe(points, keys)
    parts = POPULATION.person(forgetting=0.98)
    for start in range(0, n, piece):
        parts.observe(points[start : start + piece], keys[start : start + piece])
    np.testing.assert_array_equal(whole.means_, parts.means_)
    np.testing.assert_array_equal(whole.covariances_, parts.covariances_)


@settings(max_examples=30, deadline=None)
@given(seeds, st.integers(1, 40), st.floats(0.0, 0.9))
def test_doubt_only_lowers_the_weight_of_touches(seed: int, n: int, doubt: float) -> None:
    points, keys = touches(seed, n)
    sure = POPULATION.person(mislabelling=0.0).observe(points, keys)
    unsure = POPULATION.person(mislabelling=doubt).observe(points, keys)
    assert (unsure.n_touches_ <= sure.n_touches_ + 1e-12).all()
    assert np.linalg.eigvalsh(unsure.covariances_).min() > 0


@settings(max_examples=20, deadline=None)
@given(seeds, st.integers(1, 40))
def test_scaling_the_layout_only_shifts_the_densities(seed: int, n: int) -> None:
    points, keys = touches(seed, n)
    ratio = LARGE.width / LAYOUT.width
    a: PersonTouch = POPULATION.person().observe(points, keys)
    b: PersonTouch = LARGE_POPULATION.person().observe(points * ratio, keys)
    np.testing.assert_allclose(
        b.log_prob(points * ratio) + 2 * np.log(ratio), a.log_prob(points), rtol=1e-6, atol=1e-6
    )
