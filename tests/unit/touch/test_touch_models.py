"""Every touch model keeps the contract, its file and its conventions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.layout import Key, Layout
from nearkey.touch import (
    TOUCH_MODELS,
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
    concat,
    default_models,
    load_touch,
)

GROUPS = ("qwert", "yuiop", "asdfg", "hjkl", "zxcv", "bnm")


def grid(
    groups: tuple[str, ...] = GROUPS, *, widths: tuple[float, ...] = (2.0, 2.0, 2.0)
) -> Layout:
    edges = np.concatenate([[0.0], np.cumsum(widths)]).tolist()
    keys = tuple(
        Key(
            id=f"k{i}",
            label=group.upper(),
            x=edges[i % 3],
            y=(i // 3) * 1.5,
            w=widths[i % 3],
            h=1.5,
            letters=group,
            role="letters",
        )
        for i, group in enumerate(groups)
    )
    return Layout(name="grid", unit_mm=4.0, width=edges[-1], height=3.0, keys=keys)


GRID = grid()


def invented_people(layout: Layout, n_people: int = 5, n: int = 120, seed: int = 3) -> TouchLog:
    rng = np.random.default_rng(seed)
    logs = []
    for person in range(n_people):
        width = 10.0 + 2 * person
        keys = rng.integers(0, len(layout.key_ids), n)
        spread = rng.normal(size=(n, 2)) * 0.03 * width
        points = layout.centers[keys] + rng.normal(0, 0.2, 2) + spread
        logs.append(
            TouchLog.from_points(
                points,
                [layout.key_ids[k] for k in keys],
                participant=f"p{person}",
                width_mm=width,
            )
        )
    return concat(logs)


LOG = invented_people(GRID)
MODELS: dict[str, Any] = {
    "gaussian": GaussianTouch(),
    "pooled": PooledTouch(),
    "mixture": MixtureTouch(n_components=3),
    "size-scaled": SizeScaledTouch(),
    "size-scaled, given": SizeScaledTouch(sigma_a_mm=0.5),
    "regression": RegressionTouch(),
    "regression, place": RegressionTouch(previous=False, degree=1),
    "student": StudentTouch(),
    "student, given": StudentTouch(dof=4.0),
    "people": PeopleTouch(),
    "finger": FingerTouch(),
    "finger, t": FingerTouch(StudentTouch(), exponent="auto"),
}
every = pytest.mark.parametrize("name", MODELS)


def fitted(name: str) -> Any:
    model = MODELS[name]
    return type(model)(**model.get_params(deep=False)).fit(LOG, GRID)


@every
def test_contract(name: str) -> None:
    check_touch_model(fitted(name), GRID)


def test_contract_of_one_person() -> None:
    person = PeopleTouch().fit(LOG, GRID).person(forgetting=0.99)
    check_touch_model(person.partial_fit(LOG.of_participant("p1")), GRID)


@pytest.mark.parametrize("name", default_models())
def test_what_is_compared_keeps_the_contract_and_its_file(name: str, tmp_path: Path) -> None:
    model = default_models()[name].fit(LOG, GRID)
    check_touch_model(model, GRID)
    model.save(tmp_path / "m.json")
    again = load_touch(tmp_path / "m.json")
    assert type(again) is type(model) is TOUCH_MODELS[model.kind]
    np.testing.assert_array_equal(again.log_prob(LOG.points), model.log_prob(LOG.points))


def test_every_kind_is_fitted_by_its_class() -> None:
    for kind, model in TOUCH_MODELS.items():
        assert model.kind == kind
        if kind == "person":
            with pytest.raises(TouchModelError, match="PersonTouch is not fitted"):
                model().fit(LOG, GRID)
        else:
            assert model().fit(LOG, GRID).key_ids == GRID.key_ids


@every
def test_file_gives_back_the_model(name: str, tmp_path: Path) -> None:
    model = fitted(name)
    model.save(tmp_path / "m.json")
    again = load_touch(tmp_path / "m.json")
    assert type(again) is type(model)
    assert repr(again) == repr(model)
    points = LOG.points[:50]
    np.testing.assert_array_equal(again.log_prob(points), model.log_prob(points))
    assert again.score(LOG) == pytest.approx(model.score(LOG), rel=1e-12)
    assert len((tmp_path / "m.json").read_text().splitlines()) < 400


@every
def test_refitting_is_deterministic_and_leaves_params_alone(name: str) -> None:
    model = fitted(name)
    before = repr(model)
    first = model.log_prob(LOG.points)
    np.testing.assert_array_equal(model.fit(LOG, GRID).log_prob(LOG.points), first)
    assert repr(model) == before


@every
def test_relabelling_permutes_columns(name: str) -> None:
    model = fitted(name)
    keys = tuple(reversed(grid(tuple(reversed(GROUPS))).keys))
    other = Layout(name="other", unit_mm=4.0, width=6.0, height=3.0, keys=keys)
    moved = model.for_layout(other)
    assert moved.key_ids == other.key_ids
    before = model.log_prob(LOG.points[:20])
    np.testing.assert_allclose(moved.log_prob(LOG.points[:20]), before[:, ::-1], rtol=1e-9)
    np.testing.assert_array_equal(model.log_prob(LOG.points[:20]), before)


@every
def test_wild_touches_cost_no_more_than_the_background(name: str) -> None:
    model = fitted(name)
    far = np.array([[GRID.width, -GRID.height]]) * 3
    floor = np.log(model.get_params().get("background", 0.01) / (GRID.width * GRID.height))
    assert (model.log_prob(far) >= floor - 1e-9).all()


@every
def test_unfitted_models_say_so(name: str) -> None:
    model = MODELS[name]
    with pytest.raises(TouchModelError, match="is not fitted"):
        type(model)(**model.get_params(deep=False)).log_prob([(1.0, 1.0)])


@every
def test_too_few_touches_or_no_spread_are_named(name: str) -> None:
    model = type(MODELS[name])(**MODELS[name].get_params(deep=False))
    few = TouchLog.from_points([(1.0, 1.0), (1.1, 1.0)], ["k0", "k0"], width_mm=12.0)
    with pytest.raises(TouchDataError, match="2 labelled touches are too few"):
        model.fit(few, GRID)
    keys = np.arange(60) % 6
    same = TouchLog.from_points(
        GRID.centers[keys] + [0.1, 0.2], [f"k{k}" for k in keys], width_mm=12.0
    )
    with pytest.raises(TouchDataError, match="x: has no spread"):
        model.fit(same, GRID)


@every
def test_touches_on_one_line_are_no_singular_matrix(name: str) -> None:
    keys = np.arange(90) % 6
    slide = np.random.default_rng(2).normal(0, 0.2, 90)
    log = TouchLog.from_points(
        GRID.centers[keys] + slide[:, None],
        [f"k{k}" for k in keys],
        participant=["ann", "bo", "cy"] * 30,
        width_mm=12.0,
    )
    model = type(MODELS[name])(**MODELS[name].get_params(deep=False)).fit(log, GRID)
    assert np.isfinite(model.log_prob(log.points)).all()
    assert np.isfinite(model.sample(keys, 1)).all()


@pytest.mark.parametrize(
    ("model", "message"),
    [
        (PooledTouch(background=-0.1), "background: is -0.1"),
        (MixtureTouch(n_components=0), "n_components: is 0"),
        (MixtureTouch(relevance=-1), "relevance: is -1"),
        (SizeScaledTouch(sigma_a_mm=-1), "sigma_a_mm: is -1"),
        (RegressionTouch(degree=3), "degree: is 3"),
        (RegressionTouch(ridge=0), "ridge: is 0"),
        (StudentTouch(dof=0), "dof: is 0"),
        (StudentTouch(shrinkage=2), "shrinkage: is 2"),
        (PeopleTouch(background=1.0), "background: is 1.0"),
        (FingerTouch(exponent=-1), "exponent: is -1"),
        (FingerTouch(reference_mm=0), "reference_mm: is 0"),
    ],
)
def test_bad_parameters_are_named_by_fit(model: Any, message: str) -> None:
    with pytest.raises(TouchModelError, match=message):
        model.fit(LOG, GRID)


@pytest.mark.parametrize("name", ["mixture", "student", "people", "finger", "gaussian"])
def test_damaged_files_are_named(name: str, tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    fitted(name).save(path)
    data = json.loads(path.read_text())
    for change in (
        lambda d: d["fitted"].clear(),
        lambda d: d.update(fitted=None),
        lambda d: d["layout"]["keys"].pop(),
        lambda d: d["params"].update(colour=1),
    ):
        broken = json.loads(json.dumps(data))
        change(broken)
        path.write_text(json.dumps(broken))
        with pytest.raises(TouchModelError) as caught:
            load_touch(path)
        assert str(caught.value).startswith(str(path))


def test_negative_spread_in_a_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    fitted("mixture").save(path)
    data = json.loads(path.read_text())
    data["fitted"]["covariances"][0][0] = [[-1.0, 0.0], [0.0, 1.0]]
    path.write_text(json.dumps(data))
    with pytest.raises(TouchModelError, match="are not positive"):
        load_touch(path)


def test_mixture_follows_two_clouds_on_one_key() -> None:
    rng = np.random.default_rng(1)
    keys = np.arange(600) % 6
    side = np.where(rng.random(600) < 0.5, -0.5, 0.5)
    points = GRID.centers[keys] + np.column_stack([side, np.zeros(600)])
    points += rng.normal(size=(600, 2)) * 0.1
    log = TouchLog.from_points(points, [f"k{k}" for k in keys])
    gain = MixtureTouch().fit(log, GRID).score(log) - GaussianTouch().fit(log, GRID).score(log)
    # Two clouds 10 standard deviations apart against one Gaussian over both: log(5.1) - log(2).
    assert gain == pytest.approx(np.log(np.hypot(0.5, 0.1) / 0.1) - np.log(2), abs=0.1)


def test_mixture_without_relevance_needs_touches_on_every_key() -> None:
    with pytest.raises(TouchDataError, match=r"key 'k0' has \d+ touches, 20 are needed"):
        MixtureTouch(relevance=0).fit(LOG.select(np.arange(60)), GRID)


def test_key_without_touches_gets_the_mixture_of_all() -> None:
    model = MixtureTouch().fit(LOG.select(LOG.target != "k2"), GRID)
    assert model.fallback_keys_ == ("k2",)
    offset = model.means_ - GRID.centers
    assert np.abs(offset[2] - offset[[0, 1, 3, 4, 5]].mean(axis=0)).max() < 0.1


def test_offsets_in_millimetres_carry_over_to_another_layout() -> None:
    wide = grid(widths=(1.0, 2.0, 3.0))
    model = PooledTouch().fit(LOG, GRID)
    np.testing.assert_allclose(
        model.for_layout(wide).means_ - wide.centers, (model.means_ - GRID.centers)
    )
    more = model.partial_fit(invented_people(wide), wide)
    assert more.n_touches_ == 2 * len(LOG)
    assert more.key_ids == GRID.key_ids
    with pytest.raises(TouchModelError, match="keys are not where"):
        GaussianTouch().fit(LOG, GRID).for_layout(wide)


def test_size_scaling_with_one_size_is_stated_and_cautious() -> None:
    model = SizeScaledTouch().fit(LOG, GRID)
    assert model.one_size_ == ("x", "y")
    np.testing.assert_array_equal(model.alpha_, 0.0)
    small = grid(widths=(1.0, 1.0, 1.0))
    np.testing.assert_allclose(model.for_layout(small).covariances_[0], model.covariances_[0])


def test_size_scaling_learns_from_several_layouts() -> None:
    rng = np.random.default_rng(5)
    layouts = [grid(widths=(w, w, w)) for w in (1.0, 2.0, 4.0)]
    logs = []
    for layout in layouts:
        keys = rng.integers(0, 6, 3000)
        w_mm = layout.sizes[keys] * 4.0
        sd_mm = np.sqrt(0.04 * w_mm**2 + 0.8**2)
        points = layout.centers[keys] + rng.normal(size=(3000, 2)) * sd_mm / 4.0
        logs.append(TouchLog.from_points(points, [f"k{k}" for k in keys]))
    model = SizeScaledTouch().fit(logs, layouts)
    assert model.one_size_ == ("y",)
    # 9,000 touches: standard errors of about 0.001 and 0.03 (inverse Fisher information).
    assert model.alpha_[0] == pytest.approx(0.04, abs=0.004)
    assert model.sigma_a_mm_[0] == pytest.approx(0.8, abs=0.09)
    with pytest.raises(TouchDataError, match="3 logs and 2 layouts"):
        SizeScaledTouch().fit(logs, layouts[:2])


def test_regression_gives_unmeasured_keys_their_offset() -> None:
    rng = np.random.default_rng(7)
    layout = Layout.named("qwerty")

    def touches(n: int, allowed: np.ndarray) -> TouchLog:
        keys = rng.choice(allowed, n)
        u = layout.centers[keys, 0] / layout.width * 2 - 1
        offset = np.column_stack([0.3 * u, 0.1 - 0.2 * u**2])
        sd = 0.15 * np.exp(0.4 * u)[:, None]
        points = layout.centers[keys] + offset + rng.normal(size=(n, 2)) * sd
        return TouchLog.from_points(points, [layout.key_ids[k] for k in keys])

    measured, others = np.arange(0, 26, 2), np.arange(1, 26, 2)
    train, test = touches(1500, measured), touches(3000, others)
    model = RegressionTouch(previous=False).fit(train, layout)
    gaussian = GaussianTouch().fit(train, layout)
    assert set(gaussian.fallback_keys_) == {layout.key_ids[k] for k in others}
    assert model.score(test) > gaussian.score(test) + 0.2
    u = layout.centers[others, 0] / layout.width * 2 - 1
    np.testing.assert_allclose((model.means_ - layout.centers)[others, 0], 0.3 * u, atol=0.03)
    np.testing.assert_allclose(
        np.sqrt(model.covariances_[others, 0, 0]), 0.15 * np.exp(0.4 * u), rtol=0.1
    )


def test_regression_on_the_previous_touch() -> None:
    rng = np.random.default_rng(8)
    n = 2000
    keys = rng.integers(0, 6, n)
    points = np.empty((n, 2))
    before = np.array([np.nan, np.nan])
    diagonal = np.hypot(GRID.width, GRID.height)
    for i, key in enumerate(keys):
        move = (GRID.centers[key] - before) / diagonal
        drag = np.nan_to_num(-0.6 * move)
        points[i] = GRID.centers[key] + drag + rng.normal(size=2) * 0.15
        before = points[i]
    log = TouchLog.from_points(points, [f"k{k}" for k in keys], participant="ann")
    with_it = RegressionTouch().fit(log, GRID)
    without = RegressionTouch(previous=False).fit(log, GRID)
    assert with_it.score(log) > without.score(log) + 0.2
    # Not knowing the movement, it is as good as the model that never looks at movements.
    np.testing.assert_allclose(with_it.means_, without.means_, atol=0.02)
    assert with_it.log_prob(points)[np.arange(n), keys].mean() == pytest.approx(
        without.score(log), abs=0.02
    )
    with pytest.raises(TouchModelError, match="previous: shape is"):
        with_it.log_prob(points[:3], previous=points[:2])
    alone = with_it.log_prob(points[:2], previous=np.full((2, 2), np.nan))
    np.testing.assert_array_equal(alone, with_it.log_prob(points[:2]))


def test_finger_widths_scale_offsets_and_spreads() -> None:
    model = FingerTouch().fit(LOG, GRID)
    assert model.reference_mm_ == 14.0
    assert model.factors_["p4"] == pytest.approx(18 / 14)
    small, large = model.for_width(10.0), model.for_width(20.0)
    np.testing.assert_allclose(large.covariances_, 4 * small.covariances_)
    np.testing.assert_allclose(large.means_ - GRID.centers, 2 * (small.means_ - GRID.centers))
    # Spread was invented as proportional to width: normalising must pay off.
    assert model.score(LOG) > GaussianTouch().fit(LOG, GRID).score(LOG)
    learnt = FingerTouch(exponent="auto").fit(invented_people(GRID, 9, 400), GRID)
    assert learnt.exponent_ == pytest.approx(1.0, abs=0.15)
    check_touch_model(large, GRID)
    with pytest.raises(TouchModelError, match="width_mm: is -1"):
        model.for_width(-1)


def test_finger_width_bad_input() -> None:
    bare = {k: v for k, v in LOG.columns().items() if k != "width_mm"}
    with pytest.raises(TouchDataError, match="width_mm: column is missing"):
        FingerTouch().fit(TouchLog.from_columns(bare), GRID)
    assert LOG.width_mm is not None
    some = LOG.width_mm.copy()
    some[4] = np.nan
    with pytest.raises(TouchDataError, match="row 5, width_mm: is empty"):
        FingerTouch().fit(TouchLog.from_columns(LOG.columns() | {"width_mm": some}), GRID)
    with pytest.raises(TouchModelError, match="SizeScaledTouch cannot be scaled"):
        FingerTouch(SizeScaledTouch()).fit(LOG, GRID).for_width(12.0)
    one = FingerTouch(exponent="auto").fit(LOG.of_participant("p1"), GRID)
    assert one.exponent_ == 1.0
