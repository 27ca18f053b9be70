"""Try: typing freely on one layout, or on two side by side. Nothing is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from nearkey.lab.activity import ActivityStep, Deed, OpenPads, button


@dataclass(frozen=True, slots=True)
class TryActivity:
    """conditions : one, or two for side by side."""

    conditions: tuple[str, ...]

    kind = "try"
    types = True

    @property
    def step(self) -> ActivityStep:
        """What is to be shown."""
        lines = ("Type what you like. Nothing typed here is kept.",)
        buttons = (button("Clear", "next"), button("Finish", "leave"))
        return ActivityStep("typing", "Try it", lines, takes_touches=True, buttons=buttons)

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """Puts the pads up."""
        return self, (OpenPads(self.conditions),)

    def touched(self) -> tuple[Self, tuple[Deed, ...]]:
        """Nothing: every touch types."""
        return self, ()

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """Empty texts again."""
        return self, (OpenPads(self.conditions),)

    def leave(self) -> tuple[Deed, ...]:
        """Nothing."""
        return ()
