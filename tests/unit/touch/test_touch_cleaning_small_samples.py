"""Cleaning keeps good touches of small samples: the limit depends on how many touches it comes from."""

from __future__ import annotations

import numpy as np
import pytest

import nearkey as nk

LAYOUT = nk.Layout.named("qwerty")


def log_of(points, each):
    people = len(points) // each
    names = np.repeat([f"invented-{i}" for i in range(people)], each)
    return nk.touch.concat(
        [
            nk.TouchLog.from_points(
                points[names == name], [LAYOUT.key_ids[0]] * each, participant=str(name)
            )
            for name in dict.fromkeys(names.tolist())
        ]
    )


@pytest.mark.parametrize("each", [20, 40, 200])
def test_as_few_good_touches_go_from_small_groups_as_from_large_ones(each):
    rng = np.random.default_rng(each)
    touch = nk.GaussianTouch.from_layout(LAYOUT, spread=0.3)
    points = touch.sample(np.zeros(8000, dtype=np.int64), rng)
    _, report = nk.clean(log_of(points, each), LAYOUT)
    assert report.n_dropped / 8000 < 0.012  # beyond 3 SD on either axis of normal touches: 0.0054


def test_outliers_of_small_groups_still_go():
    rng = np.random.default_rng(1)
    touch = nk.GaussianTouch.from_layout(LAYOUT, spread=0.3)
    points = touch.sample(np.zeros(400, dtype=np.int64), rng)
    points[::20] = points[::20] + 4.0
    kept, report = nk.clean(log_of(points, 20), LAYOUT)
    assert sum(row % 20 == 0 for row, _ in report.dropped) == 20
    assert len(kept) > 370
