"""Try: typing freely on one layout, or on two side by side. Nothing is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from nearkey.lab.activity import Activity, Deed, OpenPads, button
from nearkey.lab.lab_messages import SceneReply


@dataclass(frozen=True, slots=True)
class TryActivity(Activity):
    """conditions : one, or two for side by side."""

    conditions: tuple[str, ...]

    @property
    def types(self) -> bool:
        """Always."""
        return True

    @property
    def scene(self) -> SceneReply:
        """A text to type."""
        lines = ("Type what you like. Nothing typed here is kept.",)
        buttons = (button("Clear", "next"), button("Finish", "leave"))
        return SceneReply(
            activity="try",
            step="typing",
            title="Try it",
            lines=lines,
            takes_touches=True,
            buttons=buttons,
        )

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """Puts the pads up."""
        return self, (OpenPads(self.conditions),)

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """Empty texts again."""
        return self, (OpenPads(self.conditions),)
