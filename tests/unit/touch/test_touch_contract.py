"""The contract check finds models that break the contract."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from nearkey.errors import TouchModelError
from nearkey.layout import Layout
from nearkey.touch import Components, GaussianTouch
from nearkey.touch.contract import check_touch_model

LAYOUT = Layout.named("qwerty")


class Double:
    """A correct model from elsewhere, with only what the Protocol asks for."""

    def __init__(self) -> None:
        self.inner = GaussianTouch.from_layout(LAYOUT, spread=0.4)

    @property
    def key_ids(self) -> tuple[str, ...]:
        return self.inner.key_ids

    def log_prob(self, points: Any) -> Any:
        return self.inner.log_prob(points)

    @property
    def background(self) -> float:
        return self.inner.background


def test_a_model_with_only_the_protocol_passes() -> None:
    check_touch_model(Double(), LAYOUT)


class Reordered(Double):
    @property
    def key_ids(self) -> tuple[str, ...]:
        return self.inner.key_ids[::-1]


class Rounded(Double):
    def log_prob(self, points: Any) -> Any:
        return self.inner.log_prob(points).astype(np.float32)


class Meddling(Double):
    def log_prob(self, points: Any) -> Any:
        found = self.inner.log_prob(points)
        points += 1.0
        return found


class Neighbourly(Double):
    """Rows lean on each other."""

    def log_prob(self, points: Any) -> Any:
        found = self.inner.log_prob(points)
        return found - found.mean() if len(found) else found


class Careless(Double):
    def log_prob(self, points: Any) -> Any:
        return self.inner.log_prob(np.nan_to_num(points))


class Heavy(Double):
    """Twice a density."""

    def log_prob(self, points: Any) -> Any:
        return self.inner.log_prob(points) + np.log(2.0)


class Shifted(Double):
    """Components of another model."""

    def components(self) -> Components:
        parts = self.inner.components()
        return replace(parts, mean=parts.mean + 0.1)


class Underweight(Double):
    def components(self) -> Components:
        parts = self.inner.components()
        return replace(parts, log_weight=parts.log_weight - 0.1)


class Greedy(Double):
    """Takes three normals a touch."""

    def sample(self, keys: Any, rng: Any) -> Any:
        rng.standard_normal(len(keys))
        return self.inner.sample(keys, rng)


class Restless(Double):
    """Its own random numbers, whatever the seed."""

    def sample(self, keys: Any, rng: Any) -> Any:
        rng.standard_normal((len(keys), 2))
        return self.inner.sample(keys, np.random.default_rng())


@pytest.mark.parametrize(
    ("model", "message"),
    [
        (Reordered(), "key_ids: are not the layout's"),
        (Rounded(), "not float64"),
        (Meddling(), "changed its input"),
        (Neighbourly(), "gives one touch other densities"),
        (Careless(), "must refuse NaN"),
        (Heavy(), "the density integrates to"),
        (Shifted(), "give other densities than log_prob"),
        (Underweight(), "weights of a key"),
        (Greedy(), "exactly two standard normals"),
        (Restless(), "does not repeat"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Double) else "",
)
def test_broken_models_are_found(model: Double, message: str) -> None:
    with pytest.raises(TouchModelError, match=message):
        check_touch_model(model, LAYOUT)
