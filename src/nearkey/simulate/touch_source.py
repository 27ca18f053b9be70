"""Where touches land, as callers say it: one model for all layouts, a model a layout, or a way to make one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.trial import Condition
from nearkey.simulate.typist import SamplingTouchModel

__all__ = ["TouchSource", "condition_for", "model_for"]

TouchSource = (
    SamplingTouchModel | Mapping[str, SamplingTouchModel] | Callable[[Layout], SamplingTouchModel]
)
"""A model for all layouts, a mapping by layout name, or a callable that makes one for a layout."""


def model_for(source: TouchSource, layout: Layout) -> SamplingTouchModel:
    """The touch model of a source for one layout; PlanError where a mapping lacks the layout."""
    if isinstance(source, Mapping):
        if layout.name not in source:
            raise PlanError(
                "no touch model for this layout",
                where=layout.name,
                field="touch",
                fix="add one under its name",
            )
        model: Any = source[layout.name]
    elif hasattr(source, "log_prob"):
        model = source
    else:
        model = source(layout)
    if hasattr(model, "for_layout"):
        model = model.for_layout(layout)
    return model  # type: ignore[no-any-return]


def condition_for(layout: Layout, touch: TouchSource, assumed: TouchSource | None) -> Condition:
    """The condition of a layout; without `assumed` the decoder assumes the model that touches are drawn from."""
    generating = model_for(touch, layout)
    return Condition(
        layout, generating, generating if assumed is None else model_for(assumed, layout)
    )
