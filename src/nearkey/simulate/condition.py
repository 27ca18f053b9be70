"""Who types on which layout, and what the decoder assumes of the touches."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from nearkey.decode import TouchModel
from nearkey.errors import PlanError
from nearkey.layout import Layout
from nearkey.simulate.typist import SamplingTouchModel

TouchSource = (
    SamplingTouchModel | Mapping[str, SamplingTouchModel] | Callable[[Layout], SamplingTouchModel]
)
"""A model for all layouts, a mapping by layout name, or a callable that makes one for a layout."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What a simulation compares: rankings by layout, scores by decoder, replays by person, finger widths by model.

    generating : where touches land: a fitted model, recorded touches (`ReplayTouch`), an invented person.
    assumed : the touch model of the decoder; often the same.
    """

    layout: Layout
    generating: SamplingTouchModel
    assumed: TouchModel

    @classmethod
    def matched(cls, layout: Layout, touch: SamplingTouchModel) -> Self:
        """The decoder assumes the very model that touches are drawn from."""
        return cls(layout, touch, touch)

    @classmethod
    def of(cls, layout: Layout, touch: TouchSource, assumed: TouchSource | None = None) -> Self:
        """The condition of a layout from what callers give; matched without `assumed`. Raises what `model_for` does."""
        generating = model_for(touch, layout)
        return cls(
            layout, generating, generating if assumed is None else model_for(assumed, layout)
        )


def by_layout(source: Mapping[str, Any], layout: Layout, what: str = "touch model") -> Any:
    """What a mapping has for a layout; PlanError, saying `what` is not there, where it lacks it."""
    if layout.name not in source:
        raise PlanError(
            f"no {what} for this layout",
            where=layout.name,
            field="touch",
            fix="add one under its name",
        )
    return source[layout.name]


def model_for(source: TouchSource, layout: Layout) -> SamplingTouchModel:
    """The touch model of a source for one layout; PlanError where a mapping lacks the layout."""
    if isinstance(source, Mapping):
        model: Any = by_layout(source, layout)
    elif hasattr(source, "log_prob"):
        model = source
    else:
        model = source(layout)
    if hasattr(model, "for_layout"):
        model = model.for_layout(layout)
    return model  # type: ignore[no-any-return]
