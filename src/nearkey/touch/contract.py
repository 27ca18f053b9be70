"""Checks that any touch model must pass, for our models and for other people's plug-ins."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearkey.errors import TouchModelError
from nearkey.seeds import Seed, seed_number
from nearkey.touch.components import log_density

Floats = NDArray[np.float64]


def check_touch_model(model: Any, layout: Any, *, seed: Seed = 0, integrate: bool = True) -> None:
    """Raise TouchModelError where `model`, fitted on `layout`, breaks the touch model's contract.

    Required: `key_ids` names the layout's keys; `log_prob` gives finite float64 densities
    `(n, n_keys)`, row by row independently, without changing its input, and refuses NaN with a ValueError
    (which every NearkeyError is); each key's density integrates to 1 (the flat background counted over the
    surface alone). Checked where present: `components()` equals `log_prob`; `sample` repeats
    for a seed, takes two standard normals per touch, and follows the density; `save` is left to
    the caller.

    Parameters
    ----------
    model : the touch model. layout : the `Layout` it was fitted on.
    seed : of the touches and samples drawn. integrate : also integrate each density, which takes seconds.
    """
    seed = seed_number(seed)
    where = type(model).__name__
    rng = np.random.default_rng(seed)
    surface = np.array([layout.width, layout.height])
    points = rng.uniform(-0.2, 1.2, size=(64, 2)) * surface
    n_keys = len(layout.key_ids)

    ids = tuple(model.key_ids) == tuple(layout.key_ids)
    _demand(ids, where, "key_ids", "are not the layout's, in order")
    before = points.copy()
    found = model.log_prob(points)
    _demand(isinstance(found, np.ndarray), where, "log_prob", "does not return an array")
    _demand(found.dtype == np.float64, where, "log_prob", f"gives {found.dtype}, not float64")
    right = found.shape == (64, n_keys)
    _demand(right, where, "log_prob", f"gives shape {found.shape}, not (64, {n_keys})")
    _demand(bool(np.isfinite(found).all()), where, "log_prob", "is not finite everywhere")
    _demand(np.array_equal(points, before), where, "log_prob", "changed its input")
    singly = np.vstack([model.log_prob(points[i : i + 1]) for i in range(8)])
    _demand(
        _close(singly, found[:8]),
        where,
        "log_prob",
        "gives one touch other densities alone than among others",
    )
    empty = model.log_prob(np.empty((0, 2))).shape == (0, n_keys)
    _demand(empty, where, "log_prob", "must give (0, n_keys) for no touches")
    _check_refusal(model, where)

    parts = model.components() if hasattr(model, "components") else None
    if parts is not None:
        _check_components(parts, n_keys, where)
        same = _close(log_density(parts, points, n_keys), found)
        _demand(same, where, "components", "give other densities than log_prob")
    if hasattr(model, "sample"):
        _check_sample(model, layout, seed, where)
    if integrate:
        _check_integral(model, layout, parts, where)


def _demand(kept: bool, where: str, field: str, problem: str) -> None:
    if not kept:
        raise TouchModelError(
            problem, where=where, field=field, fix="see the contract in check_touch_model"
        )


def _close(one: Floats, other: Floats) -> bool:
    return np.allclose(one, other, rtol=1e-9, atol=1e-9)


def _check_refusal(model: Any, where: str) -> None:
    try:
        model.log_prob(np.array([[0.0, np.nan]]))
    except ValueError:
        return
    _demand(False, where, "log_prob", "must refuse NaN")


def _check_components(parts: Any, n_keys: int, where: str) -> None:
    key = np.asarray(parts.key)
    _demand(key.dtype == np.int32, where, "components.key", f"is {key.dtype}, not int32")
    _demand(bool((np.diff(key) >= 0).all()), where, "components.key", "is not sorted")
    _demand(set(key.tolist()) == set(range(n_keys)), where, "components.key", "leaves a key out")
    total = np.bincount(key, weights=np.exp(parts.log_weight))
    _demand(
        bool(np.allclose(total, 1.0)), where, "components.log_weight", "weights of a key: not 1"
    )
    _demand(getattr(parts, "dof", np.inf) > 0, where, "components.dof", "is not above 0")
    weight = parts.background_weight
    _demand(0 <= weight < 1, where, "components.background_weight", "outside [0, 1)")
    xx, xy, yy = np.asarray(parts.precision).T
    definite = bool((xx > 0).all() and (xx * yy > xy * xy).all())
    _demand(definite, where, "components.precision", "is not positive definite")


def _check_sample(model: Any, layout: Any, seed: int, where: str) -> None:
    n_keys = len(layout.key_ids)
    keys = np.arange(n_keys).repeat(3)
    a, b = np.random.default_rng(seed), np.random.default_rng(seed)
    drawn = model.sample(keys, a)
    _demand(drawn.shape == (len(keys), 2), where, "sample", f"gives shape {drawn.shape}")
    _demand(bool(np.isfinite(drawn).all()), where, "sample", "is not finite")
    b.standard_normal((len(keys), 2))
    exactly = a.random() == b.random()
    _demand(exactly, where, "sample", "must take exactly two standard normals per touch")
    again = model.sample(keys, np.random.default_rng(seed))
    _demand(np.array_equal(drawn, again), where, "sample", "does not repeat for a seed")
    by_id = model.sample([layout.key_ids[k] for k in keys], np.random.default_rng(seed))
    same = np.array_equal(drawn, by_id)
    _demand(same, where, "sample", "differs between key ids and indices")


def _check_integral(model: Any, layout: Any, parts: Any, where: str) -> None:
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
        proper = abs(share - 1.0) < 0.01
        _demand(proper, where, "log_prob", f"key {key}: the density integrates to {share:.4f}")
