"""Every model on real touches: 27 people's thumb taps on a phone, a virtual key at each target.

Data: Larsen et al., "The Influence of Hand Size on Touch Accuracy", MobileHCI 2019,
doi:10.1145/3338286.3340115, CC BY 4.0. Skipped where the data is not on the machine.
"""

from __future__ import annotations

import importlib.util
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from nearkey.touch import (
    AdaptingTouch,
    FingerTouch,
    GaussianTouch,
    MixtureTouch,
    PeopleTouch,
    PooledTouch,
    RegressionTouch,
    SizeScaledTouch,
    StudentTouch,
    TouchLog,
    check_touch_model,
    clean,
    compare_touch,
)

pytestmark = pytest.mark.reference


def loader() -> ModuleType:
    path = Path(__file__).resolve().parents[3] / "benchmarks" / "touch" / "open_touches.py"
    spec = importlib.util.spec_from_file_location("open_touches", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


OPEN = loader()
if OPEN.data_folder() is None:
    pytest.skip(OPEN.ABSENT, allow_module_level=True)
GRID = OPEN.phone_grid()


@cache
def log() -> TouchLog:
    return OPEN.open_touches(OPEN.data_folder(), GRID)


@cache
def cleaned() -> TouchLog:
    return clean(log(), GRID)[0]


def test_the_log_has_the_offsets_of_the_source() -> None:
    # Recomputed straight from the file, without outliers and taps beyond 15 mm: mean offset
    # +0.59, -0.51 mm, standard deviation 2.36, 2.67 mm, 86 % within 5 mm.
    touches = log()
    assert len(touches) == 13_500
    assert len(touches.participants) == 27
    index = {key: i for i, key in enumerate(GRID.key_ids)}
    keys = np.array([index[t] for t in touches.target.tolist()])
    offsets = touches.points - GRID.centers[keys]
    near = np.hypot(*offsets.T) < 15
    np.testing.assert_allclose(offsets[near].mean(axis=0), [0.59, -0.51], atol=0.03)
    np.testing.assert_allclose(offsets[near].std(axis=0), [2.36, 2.67], atol=0.03)
    assert (np.hypot(*offsets.T) < 5).mean() == pytest.approx(0.86, abs=0.01)


def test_cleaning_drops_the_long_tails_and_says_whose() -> None:
    _, report = clean(log(), GRID)
    assert 0.01 < report.n_dropped / report.n_touches < 0.04
    most = max(report.participants, key=lambda p: p.far)
    assert most.far < 0.1 * most.n_touches
    assert str(report).count("\n") == 1 + 27 + 1


@pytest.mark.parametrize(
    "model",
    [
        GaussianTouch(),
        PooledTouch(),
        MixtureTouch(),
        SizeScaledTouch(),
        RegressionTouch(),
        StudentTouch(),
        PeopleTouch(),
        FingerTouch(),
    ],
    ids=lambda m: m.kind,
)
def test_every_model_fits_and_keeps_the_contract(model: Any) -> None:
    check_touch_model(model.fit(cleaned(), GRID), GRID, integrate=False)
    assert model.score(cleaned()) > -5


def test_what_held_out_people_show() -> None:
    # Nine of the people, to keep the test short; benchmarks/touch/compare_open.py takes all.
    touches = log()
    some = touches.select(np.isin(touches.participant, touches.participants[::3]))
    models = {
        "no background": GaussianTouch(background=0.0),
        "Gaussian": GaussianTouch(),
        "t": StudentTouch(),
        "adapting": AdaptingTouch(),
    }
    result = compare_touch(some, GRID, models)
    row = {r.model: r for r in result.rows}
    # Raw touches have long tails: the background, then the t, then knowing the person pay off.
    assert row["no background"].log_likelihood < row["Gaussian"].log_likelihood
    assert row["Gaussian"].log_likelihood < row["t"].log_likelihood
    assert row["t"].log_likelihood < row["adapting"].log_likelihood
    assert row["adapting"].gain > 0.1
