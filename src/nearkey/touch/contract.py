"""Checks that any touch model must pass, for our models and for other people's plug-ins."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchDataError
from nearkey.touch.components import log_density

__all__ = ["check_touch_model"]

Floats = NDArray[np.float64]


def check_touch_model(model: Any, layout: Any, *, seed: int = 0, integrate: bool = True) -> None:
    """Raise AssertionError where `model`, fitted on `layout`, breaks the touch model's contract.

    Required: `key_ids` names the layout's keys; `log_prob` gives finite float64 densities
    `(n, n_keys)`, row by row independently, without changing its input, and refuses NaN; each
    key's density integrates to 1 (the flat background counted over the surface alone), unless
    `integrate=False`. Checked where present: `components()` equals `log_prob`; `sample` repeats
    for a seed, takes two standard normals per touch, and follows the density; `save` is left to
    the caller.
    """
    rng = np.random.default_rng(seed)
    surface = np.array([layout.width, layout.height])
    points = rng.uniform(-0.2, 1.2, size=(64, 2)) * surface
    n_keys = len(layout.key_ids)

    assert tuple(model.key_ids) == tuple(layout.key_ids), "key_ids are not the layout's, in order"
    before = points.copy()
    found = model.log_prob(points)
    assert isinstance(found, np.ndarray), "log_prob does not return an array"
    assert found.dtype == np.float64, f"log_prob gives {found.dtype}, not float64"
    assert found.shape == (64, n_keys), f"log_prob gives shape {found.shape}, not (64, {n_keys})"
    assert np.isfinite(found).all(), "log_prob is not finite everywhere"
    assert np.array_equal(points, before), "log_prob changed its input"
    singly = np.vstack([model.log_prob(points[i : i + 1]) for i in range(8)])
    np.testing.assert_allclose(singly, found[:8], rtol=1e-9, atol=1e-9)
    assert model.log_prob(np.empty((0, 2))).shape == (0, n_keys), "no points must give (0, n_keys)"
    _check_refusal(model)

    parts = model.components() if hasattr(model, "components") else None
    if parts is not None:
        _check_components(parts, n_keys)
        np.testing.assert_allclose(log_density(parts, points, n_keys), found, rtol=1e-9, atol=1e-9)
    if hasattr(model, "sample"):
        _check_sample(model, layout, seed)
    if integrate:
        _check_integral(model, layout, parts)


def _check_refusal(model: Any) -> None:
    try:
        model.log_prob(np.array([[0.0, np.nan]]))
    except TouchDataError:
        return
    raise AssertionError("log_prob must refuse NaN with TouchDataError")


def _check_components(parts: Any, n_keys: int) -> None:
    key = np.asarray(parts.key)
    assert key.dtype == np.int32, f"components: key is {key.dtype}, not int32"
    assert (np.diff(key) >= 0).all(), "components: not sorted by key"
    assert set(key.tolist()) == set(range(n_keys)), "components: a key has none"
    total = np.bincount(key, weights=np.exp(parts.log_weight))
    np.testing.assert_allclose(total, 1.0, rtol=1e-9, err_msg="components: weights of a key")
    assert getattr(parts, "dof", np.inf) > 0, "components: dof is not above 0"
    assert 0 <= parts.background_weight < 1, "components: background_weight outside [0, 1)"
    xx, xy, yy = np.asarray(parts.precision).T
    assert (xx > 0).all(), "components: a precision is not positive definite"
    assert (xx * yy > xy * xy).all(), "components: a precision is not positive definite"


def _check_sample(model: Any, layout: Any, seed: int) -> None:
    n_keys = len(layout.key_ids)
    keys = np.arange(n_keys).repeat(3)
    a, b = np.random.default_rng(seed), np.random.default_rng(seed)
    drawn = model.sample(keys, a)
    assert drawn.shape == (len(keys), 2), f"sample gives shape {drawn.shape}"
    assert np.isfinite(drawn).all(), "sample is not finite"
    b.standard_normal((len(keys), 2))
    assert a.random() == b.random(), "sample must take exactly two standard normals per touch"
    again = model.sample(keys, np.random.default_rng(seed))
    assert np.array_equal(drawn, again), "sample does not repeat for a seed"
    ids = [layout.key_ids[k] for k in keys]
    by_id = model.sample(ids, np.random.default_rng(seed))
    assert np.array_equal(drawn, by_id), "sample differs between key ids and indices"


def _check_integral(model: Any, layout: Any, parts: Any) -> None:
    """Midpoint sums over the surface and a wide margin; the flat background is taken off first."""
    b = float(getattr(parts, "background_weight", getattr(model, "background", 0.0)) or 0.0)
    area = float(layout.width * layout.height)
    sizes = np.asarray(layout.sizes)
    # Smooth densities: midpoint sums converge as soon as the step is about one standard deviation.
    step, margin = 0.1 * float(sizes.min()), 12 * float(sizes.max())
    x = np.arange(-margin + step / 2, layout.width + margin, step)
    mass = np.full(len(layout.key_ids), b)
    for y in np.arange(-margin + step / 2, layout.height + margin, step):
        line = np.column_stack([x, np.full(len(x), y)])
        mass += (np.exp(model.log_prob(line)) - b / area).sum(axis=0) * step * step
    for key, share in zip(layout.key_ids, mass, strict=True):
        assert abs(share - 1.0) < 0.01, f"key {key}: the density integrates to {share:.4f}"
