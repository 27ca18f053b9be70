"""A plan's logs as finger models: one exponent, stated; logs without widths are named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import nearkey as nk
from nearkey.errors import PlanError
from nearkey.simulate.plan_fingers import PlanFingers
from nearkey.simulate.rank_plan import RankPlan
from nearkey.simulate.spread_curves import LayoutNoise
from nearkey.touch import TouchLog, concat

PLAN = """
name = "invented"
words = 100
[surface]
width_mm = 18
height_mm = 12
[[candidates]]
base = "qwerty"
rows = 3
columns = 2
[touch]
spread_mm = 2.0
[[touch.logs]]
file = "grid.csv"
grid = { base = "qwerty", rows = 3, columns = 2 }
[[touch.logs]]
file = "letters.csv"
layout = "qwerty"
"""
QWERTY = nk.Layout.named("qwerty")
PAD = QWERTY.fitted(18, 12)
GRID = next(nk.grid_layouts(QWERTY, rows=3, columns=2, width_mm=18, height_mm=12))
FINGERS_MM = (9.0, 11.0, 13.0, 15.0, 17.0, 19.0)


def invented(layout, *, exponent=1.0, fingers=FINGERS_MM, each=40, seed=1):
    """Hands whose misses grow as (finger width)^exponent."""
    rng = np.random.default_rng(seed)
    logs = []
    for number, width_mm in enumerate(fingers):
        keys = np.repeat(np.arange(len(layout.keys)), each)
        spread_mm = 2.0 * (width_mm / 14.0) ** exponent
        points = nk.GaussianTouch.from_layout(layout, spread_mm=spread_mm).sample(keys, rng)
        names = [layout.key_ids[k] for k in keys]
        logs.append(
            TouchLog.from_points(points, names, participant=f"p{number}", width_mm=width_mm)
        )
    return concat(logs)


def plan(folder: Path, grid: TouchLog, letters: TouchLog, text: str = PLAN) -> RankPlan:
    (folder / "plan.toml").write_text(text)
    grid.write(folder / "grid.csv")
    letters.write(folder / "letters.csv")
    return RankPlan.load(folder / "plan.toml")


@pytest.mark.parametrize("exponent", [0.0, 0.5, 1.0])
def test_the_exponent_hands_were_made_with_is_learnt(tmp_path, exponent):
    made = invented(GRID, exponent=exponent), invented(PAD, exponent=exponent, each=10, seed=2)
    fingers = PlanFingers.of(plan(tmp_path, *made))
    assert fingers.exponent == pytest.approx(exponent, abs=0.12)
    assert {model.exponent_ for model in fingers.models} == {fingers.exponent}
    assert fingers.measured_mm == (9.0, 19.0)
    assert "learnt from 6 people" in fingers.note([10])


def test_models_of_a_width_fit_the_layout_and_scale_with_the_finger(tmp_path):
    fingers = PlanFingers.of(plan(tmp_path, invented(GRID), invented(PAD, each=10)), exponent=1.0)
    for layout in (GRID, PAD):
        small, large = fingers(layout, 8), fingers(layout, 16)
        assert small.key_ids == layout.key_ids
        np.testing.assert_allclose(large.covariances_, 4 * small.covariances_, rtol=1e-9)
        # Misses of 2 mm at 14 mm, in proportion.
        spread_mm = np.sqrt(np.trace(large.covariances_, axis1=1, axis2=2) / 2) * layout.unit_mm
        np.testing.assert_allclose(spread_mm, 2.0 * 16 / 14, rtol=0.15)
    note = fingers.note([8, 12, 20])
    assert note.startswith("offsets and spreads grow as (finger width)^1.00 (as asked); ")
    assert note.endswith("measured: fingers of 9 to 19 mm; extrapolated: 8, 20 mm")
    other = next(nk.grid_layouts(QWERTY, rows=1, columns=5, width_mm=18, height_mm=12))
    with pytest.raises(PlanError, match=r"touch\.logs: no log was recorded on keys placed like"):
        fingers(other, 12)


def test_two_people_teach_no_slope(tmp_path):
    made = invented(GRID, fingers=(10.0, 16.0)), invented(PAD, fingers=(12.0,) * 4, each=10)
    fingers = PlanFingers.of(plan(tmp_path, *made))
    assert fingers.exponent == 1.0
    assert "assumed: no log has three people of different fingers" in fingers.note([10])


def test_logs_without_widths_are_named(tmp_path):
    letters = invented(PAD, each=10)
    bare = TouchLog.from_columns({k: v for k, v in letters.columns().items() if k != "width_mm"})
    holes = letters.width_mm.copy()
    holes[7] = np.nan
    some = TouchLog.from_columns(letters.columns() | {"width_mm": holes})
    for log in (bare, some):
        with pytest.raises(PlanError) as caught:
            PlanFingers.of(plan(tmp_path, invented(GRID), log))
        assert str(caught.value) == (
            f"{tmp_path}/plan.toml: touch.logs[1].file: {tmp_path}/letters.csv does not give "
            "everyone's finger width; fill its column width_mm, in millimetres"
        )
    text = PLAN[: PLAN.index("[[touch.logs]]")]
    with pytest.raises(PlanError, match=r"touch\.logs: no log says how touches change"):
        PlanFingers.of(plan(tmp_path, letters, letters, text))


def test_an_assumed_spread_serves_layouts_without_a_log_in_every_family(tmp_path):
    """A family that could be carried over is not, where the plan gives a spread for the rest."""
    bare = '[[candidates]]\nlayout = "alphabetical"\n[[candidates]]\nbase = "qwerty"\nrows = 2\ncolumns = 3\n[touch]'
    text = PLAN.replace("[touch]", bare) + '[decoder]\nmodel = "pooled"\n'
    made = invented(GRID, fingers=(20.0,)), invented(PAD, fingers=(20.0,), each=10)
    loaded = plan(tmp_path, *made, text)
    assert "an assumed spread of 2 mm" in loaded.warnings[0]
    other = next(nk.grid_layouts(QWERTY, rows=2, columns=3, width_mm=18, height_mm=12))
    assert LayoutNoise.of(other, loaded.touch_for(other)).spread_mm == pytest.approx(2.0)
    fitted = loaded.recordings[0].model
    assert LayoutNoise.of(GRID, loaded.touch_for(GRID)) == LayoutNoise.of(GRID, fitted)
