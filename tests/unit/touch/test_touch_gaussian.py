"""GaussianTouch: conventions, fallbacks, files, relabelling, and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from nearkey.errors import TouchDataError, TouchModelError
from nearkey.layout import Key, Layout
from nearkey.touch import GaussianTouch, TouchLog, check_touch_model, concat, load_touch

LAYOUT = Layout.named("qwerty")
GROUPS = ("qwert", "yuiop", "asdfg", "hjkl", "zxcv", "bnm")


def grid(groups: tuple[str, ...] = GROUPS, *, width: float = 2.0) -> Layout:
    keys = tuple(
        Key(
            id=f"k{i}",
            label=group.upper(),
            x=(i % 3) * width,
            y=(i // 3) * 1.5,
            w=width,
            h=1.5,
            letters=group,
            role="letters",
        )
        for i, group in enumerate(groups)
    )
    return Layout(name="grid", unit_mm=4.0, width=3 * width, height=3.0, keys=keys)


def invented_log(layout: Layout, n: int = 400, seed: int = 1, by_letter: bool = False) -> TouchLog:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, len(layout.key_ids), n)
    points = GaussianTouch.from_layout(layout, spread=0.3).sample(keys, rng)
    points += np.array([0.1, -0.05])
    names = [
        layout.keys[k].letters[int(rng.integers(len(layout.keys[k].letters)))]
        if by_letter
        else layout.key_ids[k]
        for k in keys
    ]
    return TouchLog.from_points(points, names, participant="ann")


@pytest.mark.parametrize("shrinkage", ["auto", 0.0, 0.4])
@pytest.mark.parametrize("layout", [LAYOUT, grid()], ids=["qwerty", "grid"])
def test_contract(layout: Layout, shrinkage: float | str) -> None:
    check_touch_model(GaussianTouch(shrinkage=shrinkage).fit(invented_log(layout), layout), layout)  # type: ignore[arg-type]


@pytest.mark.parametrize("background", [0.0, 0.05])
def test_contract_from_layout(background: float) -> None:
    model = GaussianTouch.from_layout(LAYOUT, spread_mm=2.0, background=background)
    check_touch_model(model, LAYOUT)
    np.testing.assert_allclose(model.covariances_[0], np.eye(2) * (2.0 / LAYOUT.unit_mm) ** 2)
    np.testing.assert_allclose(model.means_, LAYOUT.centers)


def test_spread_is_a_share_of_the_key_per_axis() -> None:
    model = GaussianTouch.from_layout(grid(), spread=0.45)
    np.testing.assert_allclose(model.covariances_[0], np.diag([(0.45 * 2) ** 2, (0.45 * 1.5) ** 2]))


def test_letters_and_key_ids_are_the_same_targets() -> None:
    layout = grid()
    log = invented_log(layout, by_letter=True)
    ids = [layout.key_ids[layout.key_of_letter[t]] for t in log.target.tolist()]
    by_id = TouchLog.from_columns(log.columns() | {"target": np.array(ids)})
    a = GaussianTouch().fit(log, layout)
    b = GaussianTouch().fit(by_id, layout)
    np.testing.assert_array_equal(a.means_, b.means_)
    np.testing.assert_array_equal(a.covariances_, b.covariances_)


def test_upper_case_targets_and_space() -> None:
    keys = (*grid().keys, Key(id="gap", label="", x=0, y=3, w=6, h=1, letters="", role="space"))
    layout = Layout(name="g", unit_mm=4.0, width=6.0, height=4.0, keys=keys)
    log = TouchLog.from_points([(1, 1), (3, 3.5), (3.2, 3.4), (1.1, 0.8)], ["Q", " ", "gap", "w"])
    model = GaussianTouch(min_touches=1).fit(log, layout)
    assert model.n_touches_.tolist() == [2, 0, 0, 0, 0, 0, 2]


def test_unlabelled_touches_are_counted_and_not_learnt() -> None:
    log = concat(
        [invented_log(LAYOUT), TouchLog.from_points([(1.0, 1.0)], [""], participant="ann")]
    )
    model = GaussianTouch().fit(log, LAYOUT)
    assert model.n_unlabelled_ == 1
    assert model.n_touches_.sum() == 400


@pytest.mark.parametrize("shrinkage", ["auto", 0.2])
def test_keys_without_data_fall_back(shrinkage: float | str) -> None:
    log = invented_log(LAYOUT, 800)
    some = log.select(~np.isin(log.target, ["q", "z"]))
    model = GaussianTouch(shrinkage=shrinkage).fit(some, LAYOUT)  # type: ignore[arg-type]
    assert model.fallback_keys_ == ("q", "z")
    q = LAYOUT.key_index("q")
    np.testing.assert_allclose(model.means_[q], LAYOUT.centers[q] + model.pooled_offset_)
    # The fallback also carries the doubt about the key's own offset, so it is not narrower.
    wider = np.linalg.eigvalsh(model.covariances_[q] - model.pooled_covariance_)
    assert wider.min() > -1e-12


def test_partial_fit_in_pieces_equals_fit() -> None:
    log = invented_log(LAYOUT, 300)
    whole = GaussianTouch().fit(log, LAYOUT)
    parts = GaussianTouch()
    for start in range(0, 300, 50):
        parts.partial_fit(log.select(np.arange(start, start + 50)), LAYOUT)
    np.testing.assert_allclose(parts.means_, whole.means_, rtol=1e-10)
    np.testing.assert_allclose(parts.covariances_, whole.covariances_, rtol=1e-9)
    assert parts.fallback_keys_ == whole.fallback_keys_


def test_partial_fit_after_from_layout_moves_towards_the_touches() -> None:
    log = invented_log(grid(), 600)
    model = GaussianTouch.from_layout(grid(), spread=0.3, prior_touches=10)
    before = model.score(log)
    model.partial_fit(log)
    assert model.score(log) > before
    n, shift = model.n_touches_, model.means_ - grid().centers
    sample_mean = GaussianTouch(shrinkage=0.0).fit(log, grid()).means_ - grid().centers
    np.testing.assert_allclose(shift, sample_mean * (n / (n + 10))[:, None])


def test_params_follow_the_convention() -> None:
    model = GaussianTouch(background=0.01)
    assert model.get_params() == {"shrinkage": "auto", "background": 0.01, "min_touches": 3}
    assert model.set_params(min_touches=5).min_touches == 5
    assert "background=0.01" in repr(model)
    with pytest.raises(TouchModelError, match="speed: is no parameter"):
        model.set_params(speed=3)


@pytest.mark.parametrize(
    ("params", "message"),
    [
        ({"shrinkage": 1.5}, "shrinkage: is 1.5; give"),
        ({"shrinkage": "some"}, "shrinkage: is 'some'; give"),
        ({"background": 1.0}, "background: is 1.0; give"),
        ({"min_touches": 0}, "min_touches: is 0; give"),
    ],
)
def test_bad_params_are_named_by_fit(params: dict[str, object], message: str) -> None:
    with pytest.raises(TouchModelError, match=message):
        GaussianTouch(**params).fit(invented_log(LAYOUT), LAYOUT)  # type: ignore[arg-type]


def test_bad_calls_are_refused() -> None:
    with pytest.raises(TouchModelError, match="GaussianTouch is not fitted; call fit"):
        GaussianTouch().log_prob([(1.0, 1.0)])
    with pytest.raises(TouchModelError, match="first partial_fit needs the layout"):
        GaussianTouch().partial_fit(invented_log(LAYOUT))
    for both in ({}, {"spread": 0.4, "spread_mm": 2.0}):
        with pytest.raises(TouchModelError, match="give one of the two"):
            GaussianTouch.from_layout(LAYOUT, **both)
    with pytest.raises(TouchModelError, match="spread_mm: is -1"):
        GaussianTouch.from_layout(LAYOUT, spread_mm=-1)
    model = GaussianTouch.from_layout(LAYOUT, spread=0.4)
    for points, message in [
        ([(np.nan, 1.0)], r"points: row 0 is \(nan, 1.0\)"),
        ([1.0, 2.0], r"points: shape is \(2,\)"),
        ([("a", "b")], "points: are not numbers"),
    ]:
        with pytest.raises(TouchDataError, match=message):
            model.log_prob(points)
    with pytest.raises(TouchModelError, match="key index 99 is not one of 0 to"):
        model.sample([99], 0)
    with pytest.raises(TouchModelError, match="no key 'nope'"):
        model.sample(["nope"], 0)


def test_logs_that_cannot_be_fitted_are_refused() -> None:
    def fit(log: TouchLog) -> None:
        GaussianTouch().fit(log, LAYOUT)

    with pytest.raises(TouchDataError, match=r"row 2, target: '§' is neither a key nor a letter"):
        fit(TouchLog.from_points([(1, 1), (1, 1)], ["q", "§"]))
    with pytest.raises(TouchDataError, match="no touch has a target"):
        fit(TouchLog.from_points([(1, 1)], [""]))
    with pytest.raises(TouchDataError, match="2 labelled touches are too few; log at least 3"):
        fit(TouchLog.from_points([(1, 1), (1, 1.2)], ["q", "q"]))
    with pytest.raises(TouchDataError, match="x: has no spread"):
        fit(TouchLog.from_points([(0.5, 0.5), (0.5, 0.6), (0.5, 0.4)], ["q", "q", "q"]))
    log = invented_log(LAYOUT)
    with pytest.raises(TouchDataError, match="lie far off the"):
        fit(log.with_points(log.points * 100))


def test_a_failed_partial_fit_changes_nothing() -> None:
    model = GaussianTouch()
    with pytest.raises(TouchDataError, match="too few"):
        model.partial_fit(TouchLog.from_points([(0.4, 0.5)], ["q"]), LAYOUT)
    with pytest.raises(TouchModelError, match="not fitted"):
        _ = model.key_ids


def test_a_key_with_equal_touches_gets_a_floor() -> None:
    centre = LAYOUT.centers[LAYOUT.key_index("q")]
    same = TouchLog.from_points(np.repeat(centre[None], 20, axis=0), ["q"] * 20, participant="ann")
    log = invented_log(LAYOUT)
    log = concat([log.select(log.target != "q"), same])
    model = GaussianTouch(shrinkage=0.0).fit(log, LAYOUT)
    assert "q" in model.floored_keys_
    assert np.isfinite(model.log_prob([centre])).all()


def test_save_and_load_give_the_same_model(tmp_path: Path) -> None:
    log = invented_log(LAYOUT)
    for model in (
        GaussianTouch(background=0.02).fit(log, LAYOUT),
        GaussianTouch.from_layout(LAYOUT, spread=0.4).partial_fit(log),
    ):
        model.save(tmp_path / "touch.json")
        again = load_touch(tmp_path / "touch.json")
        np.testing.assert_array_equal(again.log_prob(log.points), model.log_prob(log.points))
        assert again.get_params() == model.get_params()
        again.partial_fit(log)
        np.testing.assert_array_equal(again.means_, model.partial_fit(log).means_)
    data = json.loads((tmp_path / "touch.json").read_text())
    assert (data["schema"], data["version"], data["kind"]) == ("nearkey.touch", 1, "gaussian")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(schema="x"), "schema: is not a touch model"),
        (lambda d: d.update(version=99), "version: version 99 is not known here"),
        (lambda d: d.update(kind="star"), "kind: kind 'star' is not known here; kinds are"),
        (lambda d: d["fitted"].pop("keys"), "keys: is missing"),
        (lambda d: d["layout"].pop("width"), "width: is missing"),
        (lambda d: d["fitted"]["keys"][0].update(offset="no"), "fitted: is damaged"),
        (lambda d: d["fitted"]["keys"].pop(), "fitted keys: are not the layout's"),
        (lambda d: d["fitted"]["keys"][3].update(offset=[float("nan"), 0.0]), "fitted: is damaged"),
        (lambda d: d["params"].update(colour=1), "fitted: is damaged"),
    ],
)
def test_damaged_model_files_are_named(tmp_path: Path, change: object, message: str) -> None:
    path = tmp_path / "touch.json"
    GaussianTouch().fit(invented_log(LAYOUT), LAYOUT).save(path)
    data = json.loads(path.read_text())
    change(data)  # type: ignore[operator]
    path.write_text(json.dumps(data))
    with pytest.raises(TouchModelError) as caught:
        load_touch(path)
    assert str(caught.value).startswith(f"{path}: {message}")


def test_unreadable_model_files(tmp_path: Path) -> None:
    with pytest.raises(TouchModelError, match="no such file"):
        load_touch(tmp_path / "gone.json")
    (tmp_path / "cut.json").write_text('{"schema": ')
    with pytest.raises(TouchModelError, match="line 1: not valid JSON"):
        load_touch(tmp_path / "cut.json")


def test_relabelled_for_other_letters_in_another_order() -> None:
    layout = grid()
    model = GaussianTouch().fit(invented_log(layout), layout)
    keys = tuple(reversed(grid(tuple(reversed(GROUPS))).keys))
    other = Layout(name="other", unit_mm=4.0, width=6.0, height=3.0, keys=keys)
    moved = model.for_layout(other)
    assert moved.key_ids == other.key_ids
    points = np.random.default_rng(0).uniform(0, 3, (20, 2))
    np.testing.assert_allclose(moved.log_prob(points), model.log_prob(points)[:, ::-1], rtol=1e-10)
    assert moved.geometry_.key_of_target("q") == other.key_of_letter["q"]


def test_another_geometry_is_refused() -> None:
    model = GaussianTouch().fit(invented_log(grid()), grid())
    for other in (grid(width=2.1), LAYOUT):
        with pytest.raises(TouchModelError, match="keys are not where this model's keys are"):
            model.for_layout(other)
        with pytest.raises(TouchModelError, match="not the one the model was fitted on"):
            model.partial_fit(invented_log(other), other)
    with pytest.raises(TouchModelError, match="not the one the model was fitted on"):
        model.score(invented_log(LAYOUT), LAYOUT)


def test_background_bounds_the_damage_of_a_wild_touch() -> None:
    far = np.array([[LAYOUT.width, LAYOUT.height]])
    q = LAYOUT.key_index("q")
    bare = GaussianTouch.from_layout(LAYOUT, spread=0.3, background=0.0).log_prob(far)[0, q]
    bounded = GaussianTouch.from_layout(LAYOUT, spread=0.3, background=0.01).log_prob(far)[0, q]
    assert bounded == pytest.approx(np.log(0.01 / (LAYOUT.width * LAYOUT.height)))
    assert bare < bounded - 100


def test_same_luck_on_two_layouts() -> None:
    small, large = grid(), grid(width=3.0)
    a = GaussianTouch.from_layout(small, spread=0.5)
    b = GaussianTouch.from_layout(large, spread=0.5)
    za = (a.sample([0, 4, 2], 5) - small.centers[[0, 4, 2]]) / (0.5 * small.sizes[0])
    zb = (b.sample([3, 1, 5], 5) - large.centers[[3, 1, 5]]) / (0.5 * large.sizes[0])
    np.testing.assert_allclose(za, zb)
