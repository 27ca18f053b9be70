"""Letters that several keys write, and column names as people type them."""

from __future__ import annotations

import numpy as np
import pytest

from nearkey.errors import TouchDataError
from nearkey.layout import Key, Layout
from nearkey.touch import GaussianTouch, TouchLog
from nearkey.touch.labelling import target_keys
from nearkey.touch.touch_log import REQUIRED

LAYOUT = Layout(
    name="two spaces",
    unit_mm=4.0,
    width=4.0,
    height=1.0,
    alphabet="ab",
    keys=(
        Key(id="left", label="", x=0, y=0, w=1, h=1, role="space"),
        Key(id="a", label="a", x=1, y=0, w=1, h=1, letters="a"),
        Key(id="b", label="b", x=2, y=0, w=1, h=1, letters="b"),
        Key(id="right", label="", x=3, y=0, w=1, h=1, role="space"),
    ),
)


def test_a_space_means_the_nearer_space_key():
    points = np.array([[0.3, 0.5], [3.9, 0.4], [1.4, 0.5], [1.4, 0.5]])
    log = TouchLog.from_points(points, [" ", " ", "a", "right"], participant="ann")
    assert target_keys(log, LAYOUT).tolist() == [0, 3, 1, 3]
    in_mm = TouchLog.from_points(
        points * 4.0, [" ", " ", "a", "right"], participant="ann", unit="mm"
    )
    assert target_keys(in_mm, LAYOUT).tolist() == [0, 3, 1, 3]


def test_each_space_key_is_fitted_by_its_own_touches():
    rng = np.random.default_rng(3)
    centers = np.repeat([[0.4, 0.5], [3.6, 0.5]], 40, axis=0)
    log = TouchLog.from_points(centers + rng.normal(0, 0.1, (80, 2)), [" "] * 80, participant="ann")
    model = GaussianTouch(shrinkage=0.0).fit(log, LAYOUT)
    assert model.means_[0, 0] == pytest.approx(0.4, abs=0.06)
    assert model.means_[3, 0] == pytest.approx(3.6, abs=0.06)


def test_columns_in_capitals_are_told_of():
    columns = {name.upper(): ["1"] for name in REQUIRED}
    with pytest.raises(TouchDataError) as caught:
        TouchLog.from_columns(columns)
    assert "names are in lower case" in caught.value.fix
    with pytest.raises(TouchDataError) as caught:
        TouchLog.from_columns({"x": ["1"]})
    assert "lower case" not in caught.value.fix
