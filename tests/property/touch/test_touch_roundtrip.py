"""Whatever a log holds, its files give back; whatever a model is fitted on, its laws hold."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from nearkey.layout import Layout
from nearkey.touch import GaussianTouch, TouchLog
from nearkey.touch.sufficient_statistics import KeyStats

LAYOUT = Layout.named("qwerty")

texts = st.text(st.characters(exclude_categories=("Cc", "Cs")), max_size=8)
numbers = st.floats(allow_nan=False, allow_infinity=False)
maybe = st.one_of(st.just(float("nan")), numbers)
widths = st.one_of(st.just(float("nan")), st.floats(0.1, 99))


@st.composite
def logs(draw: st.DrawFn, *, numeric_extra: bool) -> TouchLog:
    n = draw(st.integers(1, 5))

    def column(of: st.SearchStrategy[Any]) -> list[Any]:
        return draw(st.lists(of, min_size=n, max_size=n))

    whole = st.integers(-(2**53) + 1, 2**53 - 1)
    columns: dict[str, Any] = {
        "participant": column(texts),
        "session": column(texts),
        "trial": column(whole),
        "order": column(whole),
        "time_s": column(maybe),
        "x": column(numbers),
        "y": column(numbers),
        "target": column(texts),
    }
    if draw(st.booleans()):
        columns["width_mm"] = column(widths)
    if draw(st.booleans()):
        columns["posture"] = column(texts)
    if draw(st.booleans()):
        columns["device"] = column(texts)
    if draw(st.booleans()):
        columns["remark"] = column(texts)
    if numeric_extra and draw(st.booleans()):
        columns["pressure"] = np.array(column(numbers), dtype=np.float64)
    return TouchLog.from_columns(columns, unit=draw(st.sampled_from(["layout", "mm"])))


def through(log: TouchLog, suffix: str) -> TouchLog:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{suffix}"
        log.write(path)
        return TouchLog.read(path)


@given(logs(numeric_extra=False))
def test_csv_gives_back_the_log(log: TouchLog) -> None:
    assert through(log, ".csv") == log


@given(logs(numeric_extra=True))
def test_jsonl_gives_back_the_log(log: TouchLog) -> None:
    assert through(log, ".jsonl") == log


@settings(deadline=None)
@given(logs(numeric_extra=True))
def test_parquet_gives_back_the_log(log: TouchLog) -> None:
    assert through(log, ".parquet") == log


seeds = st.integers(0, 2**32 - 1)


@given(seeds, st.integers(1, 60), st.integers(0, 60))
def test_statistics_of_parts_add_up(seed: int, n: int, cut: int) -> None:
    rng = np.random.default_rng(seed)
    key = rng.integers(0, 4, n)
    offsets = rng.normal(size=(n, 2)) * 10.0 ** rng.integers(-3, 4)
    weights = rng.uniform(0.1, 1.0, n)
    cut = min(cut, n)
    whole = KeyStats.of(key, offsets, 4, weights)
    parts = KeyStats.of(key[:cut], offsets[:cut], 4, weights[:cut]) + KeyStats.of(
        key[cut:], offsets[cut:], 4, weights[cut:]
    )
    scale = np.abs(offsets).max()
    np.testing.assert_allclose(parts.n, whole.n, atol=1e-9)
    np.testing.assert_allclose(parts.mean, whole.mean, atol=1e-9 * scale)
    np.testing.assert_allclose(parts.scatter, whole.scatter, atol=1e-9 * scale**2 * n)


@settings(max_examples=30, deadline=None)
@given(seeds, st.integers(20, 200), st.floats(0.05, 50.0))
def test_scaling_the_layout_only_shifts_the_densities(seed: int, n: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, 26, n)
    points = GaussianTouch.from_layout(LAYOUT, spread=0.3).sample(keys, rng)
    names = [LAYOUT.key_ids[k] for k in keys]
    large = LAYOUT.scaled(factor)
    ratio = large.width / LAYOUT.width
    a = GaussianTouch().fit(TouchLog.from_points(points, names), LAYOUT)
    b = GaussianTouch().fit(TouchLog.from_points(points * ratio, names), large)
    np.testing.assert_allclose(
        b.log_prob(points * ratio) + 2 * np.log(ratio), a.log_prob(points), rtol=1e-7, atol=1e-7
    )


@settings(max_examples=30, deadline=None)
@given(seeds, st.integers(3, 300), st.sampled_from(["auto", 0.0, 0.5, 1.0]))
def test_every_fit_gives_positive_definite_covariances(seed: int, n: int, shrinkage: Any) -> None:
    rng = np.random.default_rng(seed)
    keys = rng.integers(0, 26, n)
    points = LAYOUT.centers[keys] + rng.standard_t(2.0, size=(n, 2)) * 0.3
    log = TouchLog.from_points(np.clip(points, -2, 12), [LAYOUT.key_ids[k] for k in keys])
    model = GaussianTouch(shrinkage=shrinkage).fit(log, LAYOUT)
    assert np.linalg.eigvalsh(model.covariances_).min() > 0
    assert np.isfinite(model.log_prob(points)).all()
