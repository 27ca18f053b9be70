"""Every model on every kind of bad log: a clear error or a stated fallback, never a singular matrix.

Each pair either fits, and then gives finite densities and sound ellipses, or raises a one-line error that names
field and fix. Warnings count as failures: an overflow or a division by zero is a fallback nobody stated.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from nearkey.errors import NearkeyError, TouchDataError, TouchModelError
from nearkey.layout import Layout
from nearkey.touch import (
    FingerTouch,
    GaussianTouch,
    MixtureTouch,
    PeopleTouch,
    PooledTouch,
    RegressionTouch,
    SizeScaledTouch,
    StudentTouch,
    TouchLog,
    clean,
    concat,
    ellipses,
)

pytestmark = pytest.mark.filterwarnings("error")

LAYOUT = Layout.named("qwerty")  # 10 x 3 keys of 6 mm: in millimetres the surface is 60 x 18
MODELS: dict[str, Callable[[], Any]] = {
    "gaussian": GaussianTouch,
    "gaussian, no shrinkage": lambda: GaussianTouch(shrinkage=0.0),
    "gaussian, no background": lambda: GaussianTouch(background=0.0),
    "pooled": PooledTouch,
    "mixture": MixtureTouch,
    "size-scaled": SizeScaledTouch,
    "regression": RegressionTouch,
    "regression, place": lambda: RegressionTouch(previous=False),
    "student": StudentTouch,
    "people": PeopleTouch,
    "finger": FingerTouch,
    "finger, learnt": lambda: FingerTouch(exponent="auto"),
}


def invented(n_people: int = 3, each: int = 4, seed: int = 1, **columns: Any) -> TouchLog:
    rng = np.random.default_rng(seed)
    logs = []
    for person in range(n_people):
        keys = np.repeat(np.arange(26), each)
        points = LAYOUT.centers[keys] + rng.normal(0, 0.25, (len(keys), 2)) + rng.normal(0, 0.1, 2)
        logs.append(
            TouchLog.from_points(
                points,
                [LAYOUT.key_ids[k] for k in keys],
                participant=f"p{person}",
                time_s=np.arange(len(keys)) * 0.4,
                width_mm=10.0 + person,
                **columns,
            )
        )
    return concat(logs)


def on(points: Any, names: list[str], people: Any = "p0") -> TouchLog:
    return TouchLog.from_points(points, names, participant=people, width_mm=12.0)


def same_place() -> TouchLog:
    """Every touch of every key on one and the same point: a stuck sensor."""
    log = invented()
    return log.with_points(np.full((len(log), 2), 1.5))


def on_the_centres() -> TouchLog:
    """Every touch exactly on its key's centre: targets logged in place of touches."""
    log = invented()
    return log.with_points(LAYOUT.centers[[LAYOUT.key_index(t) for t in log.target]])


def one_axis_stuck() -> TouchLog:
    log = invented()
    rows = LAYOUT.centers[[LAYOUT.key_index(t) for t in log.target], 1]
    return log.with_points(np.column_stack([log.x, rows]))


def on_a_line() -> TouchLog:
    log = invented()
    centers = LAYOUT.centers[[LAYOUT.key_index(t) for t in log.target]]
    miss = (log.points - centers)[:, :1]
    return log.with_points(centers + np.hstack([miss, 2 * miss]))


def one_key_constant() -> TouchLog:
    log = invented(each=12)
    points = log.points
    points[log.target == "q"] = LAYOUT.centers[0]
    return log.with_points(points)


def odd_times() -> TouchLog:
    log = invented()
    times = log.time_s.copy()
    times[5:20] = times[5:20][::-1]
    times[30] = -4.0
    times[40] = 1e300
    times[41] = np.nan
    return TouchLog.from_columns(log.columns() | {"time_s": times})


CASES: dict[str, Callable[[], TouchLog]] = {
    "one touch": lambda: on([LAYOUT.centers[0]], ["q"]),
    "two touches": lambda: on(LAYOUT.centers[:2] + 0.1, ["q", "w"]),
    "three touches on a line": lambda: on([(0.4, 0.4), (0.5, 0.5), (0.6, 0.6)], ["q"] * 3),
    "one touch a key": lambda: invented(each=1),
    "one touch a key, one person": lambda: invented(n_people=1, each=1),
    "two touches a key": lambda: invented(each=2),
    "one key alone": lambda: invented(each=20).select(invented(each=20).target == "g"),
    "one person": lambda: invented(n_people=1),
    "two people": lambda: invented(n_people=2),
    "a person with one touch": lambda: concat([invented(), on([(0.5, 0.6)], ["q"], "bo")]),
    "one place": same_place,
    "on the centres": on_the_centres,
    "one axis stuck": one_axis_stuck,
    "on a line": on_a_line,
    "one key constant": one_key_constant,
    "every row twice": lambda: concat([invented(), invented()]),
    "odd times": odd_times,
    "one finger": lambda: TouchLog.from_columns(
        invented().columns() | {"width_mm": np.full(3 * 104, 12.0)}
    ),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("name", MODELS)
def test_a_fit_is_sound_or_refused_in_one_line(name: str, case: str) -> None:
    log = CASES[case]()
    try:
        model = MODELS[name]().fit(log, LAYOUT)
    except (TouchDataError, TouchModelError) as fault:
        refusal: NearkeyError | None = fault
    else:
        refusal = None
    if refusal is not None:
        assert refusal.field
        assert refusal.fix
        assert "\n" not in str(refusal)
        assert "singular" not in str(refusal).lower()
        return
    found = model.log_prob(np.vstack([LAYOUT.centers, [[-3.0, 9.0]]]))
    assert not np.isnan(found).any()
    assert np.isfinite(found[:-1]).all()
    assert np.isfinite(model.score(log))
    for ellipse in ellipses(model):
        assert ellipse.semi_major >= ellipse.semi_minor > 0
        assert math.isfinite(ellipse.semi_major)
    points = model.sample(np.arange(26), np.random.default_rng(0))
    assert np.isfinite(points).all()


REFUSED = {
    "one touch": "1 labelled touches are too few",
    "two touches": "2 labelled touches are too few",
    "one place": "x: is 1.5 in all touches of 'p0', whatever key was meant; check the sensor",
    "on the centres": "has no spread",
}


@pytest.mark.parametrize("case", REFUSED)
@pytest.mark.parametrize("name", MODELS)
def test_what_no_model_can_be_fitted_to_is_refused_by_all(name: str, case: str) -> None:
    with pytest.raises(TouchDataError, match=REFUSED[case]):
        MODELS[name]().fit(CASES[case](), LAYOUT)


@pytest.mark.parametrize(
    "case", ["one touch a key", "one person", "two people", "every row twice", "odd times"]
)
@pytest.mark.parametrize("name", MODELS)
def test_what_has_enough_in_it_is_fitted_by_all(name: str, case: str) -> None:
    assert MODELS[name]().fit(CASES[case](), LAYOUT).key_ids == LAYOUT.key_ids


def test_fallbacks_are_stated() -> None:
    few = GaussianTouch(min_touches=5).fit(invented(each=1), LAYOUT)
    assert few.fallback_keys_ == LAYOUT.key_ids
    constant = GaussianTouch(shrinkage=0.0).fit(one_key_constant(), LAYOUT)
    assert constant.floored_keys_ == ("q",)
    assert not PeopleTouch().fit(invented(n_people=2), LAYOUT).learnt_people_
    assert SizeScaledTouch().fit(invented(), LAYOUT).one_size_
    assert FingerTouch(exponent="auto").fit(invented(n_people=2), LAYOUT).exponent_ == 1.0


# ---- units ----


def in_mm(log: TouchLog, rows: Any) -> TouchLog:
    """Some rows in millimetres though the log says layout units."""
    points = log.points
    points[rows] *= LAYOUT.unit_mm
    return log.with_points(points)


@pytest.mark.parametrize(
    "mixed",
    [
        pytest.param(lambda log: in_mm(log, slice(None)), id="all rows"),
        pytest.param(lambda log: in_mm(log, log.participant == "p1"), id="one person"),
        pytest.param(lambda log: in_mm(log, np.arange(len(log)) % 2 == 0), id="every second row"),
        pytest.param(lambda log: in_mm(log, log.session == "2"), id="one session of ten"),
    ],
)
def test_mixed_units_are_refused_by_cleaning_and_by_every_model(
    mixed: Callable[[TouchLog], TouchLog],
) -> None:
    sessions = [str(1 + row * 10 // 104) for row in range(104)] * 3
    log = mixed(TouchLog.from_columns(invented().columns() | {"session": sessions}))
    says = (
        r"row \d+, x, y: .*far off the 10 x 3 surface; check the unit of the log \(layout or mm\)"
    )
    with pytest.raises(TouchDataError, match=says):
        clean(log, LAYOUT)
    for model in MODELS.values():
        with pytest.raises(TouchDataError, match=says):
            model().fit(log, LAYOUT)


def test_a_few_wild_touches_are_no_other_unit() -> None:
    log = invented()
    points = log.points
    points[[3, 50, 51, 90, 200]] += (40.0, 0.0)
    kept, report = clean(log.with_points(points), LAYOUT)
    assert {3, 50, 51, 90, 200} <= {row for row, why in report.dropped if why == "far"}
    assert len(kept) >= len(log) - 20
