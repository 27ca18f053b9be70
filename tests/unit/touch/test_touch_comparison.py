"""Comparing models on held-out people: the right order, resuming, one person, a decoder."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.layout import Layout
from nearkey.touch import (
    AdaptingTouch,
    FingerTouch,
    GaussianTouch,
    NearestKeyTouch,
    PooledTouch,
    StudentTouch,
    TouchLog,
    compare_touch,
    concat,
    default_models,
)
from nearkey.touch.coverage import calibration
from nearkey.touch.model_comparison import FoldScore, compare_folds, summarise

LAYOUT = Layout.named("qwerty")


def invented_people(n_people: int = 6, n: int = 260, seed: int = 1) -> TouchLog:
    rng = np.random.default_rng(seed)
    logs = []
    for person in range(n_people):
        keys = rng.integers(0, 26, n)
        offset = rng.normal([0.3, -0.2], 0.15)
        points = LAYOUT.centers[keys] + offset + rng.normal(size=(n, 2)) * 0.25
        names = [LAYOUT.key_ids[k] for k in keys]
        logs.append(TouchLog.from_points(points, names, participant=f"p{person}", width_mm=12.0))
    return concat(logs)


LOG = invented_people()
FEW: dict[str, Any] = {
    "nearest key": NearestKeyTouch(),
    "pooled": PooledTouch(),
    "adapting": AdaptingTouch(),
}


def test_models_come_out_in_the_order_they_must() -> None:
    result = compare_touch(LOG, LAYOUT, FEW)
    nearest, pooled, adapting = result.rows
    assert nearest.log_likelihood < pooled.log_likelihood < adapting.log_likelihood
    assert result.best is adapting
    assert nearest.gain == 0.0
    assert adapting.gain == pytest.approx(adapting.log_likelihood - nearest.log_likelihood)
    assert adapting.gain - adapting.gain_half > 0
    assert adapting.key_hit > nearest.key_hit
    assert np.isnan(adapting.top1)
    assert not result.decoded
    assert "Leave one person out, 6 people" in str(result)
    assert str(result).splitlines()[1].startswith("nearest key")


def test_figures_of_a_fold_are_what_they_say() -> None:
    held_out = LOG.of_participant("p2")
    score = next(s for s in compare_folds(LOG, LAYOUT, {"g": GaussianTouch()}) if s.fold == "p2")
    model = GaussianTouch().fit(LOG.without_participant("p2"), LAYOUT)
    keys = np.array([LAYOUT.key_index(t) for t in held_out.target.tolist()])
    assert score.n == len(held_out) == 260
    per_mm2 = model.score(held_out) - 2 * np.log(LAYOUT.unit_mm)
    assert score.log_likelihood / score.n == pytest.approx(per_mm2)
    assert score.hits == (model.log_prob(held_out.points).argmax(axis=1) == keys).sum()
    assert score.inside == model.inside(held_out.points, keys, 0.95).sum()


def test_every_default_model_runs_and_so_does_finger_width() -> None:
    models = default_models() | {"finger": FingerTouch()}
    result = compare_touch(LOG.select(np.arange(len(LOG)) % 2 == 0), LAYOUT, models)
    assert [row.model for row in result.rows] == list(models)
    assert result.baseline == "nearest-key"
    for row in result.to_dicts():
        assert np.isfinite(row["log_likelihood"]), row["model"]
        assert 0.8 < row["inside_95"] <= 1, row["model"]


def test_done_folds_are_not_computed_again() -> None:
    once = list(compare_folds(LOG, LAYOUT, FEW))

    class Never:
        def fit(self, log: TouchLog, layout: Any) -> Any:
            raise AssertionError("was fitted again")

    again = list(compare_folds(LOG, LAYOUT, dict.fromkeys(FEW, Never()), done=once))
    assert again == once


def test_progress_is_told_of_every_score() -> None:
    seen: list[FoldScore] = []
    result = compare_touch(LOG, LAYOUT, FEW, progress=seen.append)
    assert tuple(seen) == result.folds
    assert len(seen) == 3 * 6


def test_one_person_is_cut_into_blocks_and_said_so() -> None:
    one = LOG.of_participant("p0")
    result = compare_touch(one, LAYOUT, {"pooled": PooledTouch(), "t": StudentTouch()})
    assert {s.fold for s in result.folds} == {f"block {i}" for i in range(1, 6)}
    assert "One person only: 5 consecutive blocks" in str(result)
    with pytest.raises(TouchDataError, match="participant: one person and 30 touches are too few"):
        compare_touch(one.select(np.arange(30)), LAYOUT, FEW)


def test_a_decoder_is_given_each_held_out_person() -> None:
    seen = []

    def decode(model: Any, log: TouchLog) -> tuple[int, int]:
        seen.append((type(model).__name__, log.participants, len(log)))
        return (3 if model.means_.ndim else 0), 4

    result = compare_touch(LOG, LAYOUT, FEW, decode=decode)
    assert result.rows[0].top1 == 0.75
    heads = [line for line in str(result).splitlines() if line.startswith("model ")]
    assert heads[-1].endswith("top-1 %")
    plain = [s for s in seen if s[0] == "GaussianTouch"]
    assert [s[1] for s in plain] == [(f"p{i}",) for i in range(6)]
    # The adapting model decodes each half of the person's touches.
    adapted = [s for s in seen if s[0] == "PersonTouch"]
    assert [s[2] for s in adapted] == [130, 130] * 6


def test_bad_calls_are_refused() -> None:
    with pytest.raises(TouchModelError, match="models: no models to compare"):
        compare_touch(LOG, LAYOUT, {})
    with pytest.raises(TouchModelError, match="baseline: 'x' is not compared; use one of"):
        compare_touch(LOG, LAYOUT, FEW, baseline="x")
    unknown = TouchLog.from_columns(LOG.columns() | {"target": np.full(len(LOG), "§")})
    with pytest.raises(TouchDataError, match="'§' is neither a key nor a letter"):
        compare_touch(unknown, LAYOUT, FEW)


def test_calibration_by_hand() -> None:
    model = GaussianTouch.from_layout(LAYOUT, spread=0.5)
    q = LAYOUT.centers[0]
    # At 0.5 per standard deviation, the 95 % circle has radius 0.5 sqrt(5.991) = 1.2239.
    points = q + np.array([[1.22, 0.0], [0.0, -1.22], [1.23, 0.0], [0.0, 0.0]])
    log = TouchLog.from_points(points, ["q"] * 4)
    (row,) = calibration(model, log, LAYOUT, coverages=[0.95])
    assert row.found == 0.75
    assert row.n == 4


def test_summary_weighs_people_the_same() -> None:
    folds = [
        FoldScore("a", "p", 10, -10.0, 10, 10, 0, 0),
        FoldScore("a", "q", 1000, -3000.0, 0, 500, 0, 0),
    ]
    row = summarise(folds, scheme="invented").rows[0]
    assert row.log_likelihood == pytest.approx(-2.0)
    assert row.key_hit == 0.5
    assert row.inside_95 == 0.75
    # Two values 1 apart from their mean: half width 12.7062047 * sqrt(2) / sqrt(2).
    assert row.log_likelihood_half == pytest.approx(12.7062047, rel=1e-8)


def test_people_without_targets_are_not_held_out() -> None:
    """The targets of p0 are known, those of bo are not: p0 is cut into blocks, as if she were alone."""
    one = LOG.of_participant("p0")
    blank = {"participant": np.full(len(one), "bo"), "target": np.full(len(one), "")}
    bo = TouchLog.from_columns(one.columns() | blank)
    models = {"pooled": PooledTouch()}
    both = compare_touch(concat([one, bo]), LAYOUT, models)
    assert both.folds == compare_touch(one, LAYOUT, models).folds
    assert both.scheme.startswith("One person only")
    with pytest.raises(TouchDataError, match="target: no touch has a target"):
        compare_touch(bo, LAYOUT, models)
