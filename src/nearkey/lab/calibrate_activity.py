"""Calibrate: touch the key that is named, in a balanced order; then a model is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Self

import numpy as np

from nearkey.lab.activity import Activity, Deed, FitTouches, OpenPads, button
from nearkey.lab.lab_messages import SceneReply


def balanced_targets(key_ids: Sequence[str], each: int, seed: int) -> tuple[str, ...]:
    """Every key `each` times: round after round with every key once, in an order drawn anew for each round.

    No key comes twice in a row, but where there is only one.
    """
    rng = np.random.default_rng(seed)
    order: list[str] = []
    for _ in range(each):
        drawn = [key_ids[i] for i in rng.permutation(len(key_ids))]
        if order and len(drawn) > 1 and drawn[0] == order[-1]:
            place = int(rng.integers(1, len(drawn)))
            drawn[0], drawn[place] = drawn[place], drawn[0]
        order += drawn
    return tuple(order)


@dataclass(frozen=True, slots=True)
class CalibrateActivity(Activity):
    """Prompted targets.

    condition : whose keys. targets : key ids in order. labels : what is drawn on each key. at : the next target.
    result : lines about the fitted model, once there is one. state : "ready", "target" or "fitted".
    """

    condition: str
    targets: tuple[str, ...]
    labels: dict[str, str]
    at: int = 0
    state: str = "ready"
    result: tuple[str, ...] = ()

    @property
    def scene(self) -> SceneReply:
        """What to do, the key to touch, or what was found."""
        scene = partial(SceneReply, activity="calibrate", step=self.state, total=len(self.targets))
        if self.state == "ready":
            lines: tuple[str, ...] = (
                "A key is named, or marked on the pad. Touch it, at the pace you would type, and go on to the next.",
                "Aim for the middle. Do not correct yourself: every touch counts, the wide ones too.",
            )
            if self.at:
                lines = (f"{self.at} touches are kept from before.", *lines)
            start = (button("Begin", "next"),)
            return scene(title="Calibration", lines=lines, done=self.at, buttons=start)
        if self.state == "target":
            target = self.targets[self.at]
            title = f"Touch {self.labels[target]}"
            return scene(title=title, target=target, done=self.at, takes_touches=True)
        again = (button("Once more", "next"), button("Finish", "leave"))
        return scene(
            title="Calibration done", lines=self.result, done=len(self.targets), buttons=again
        )

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """Puts the pad up."""
        return self, (OpenPads((self.condition,)),)

    def touched(self) -> tuple[Self, tuple[Deed, ...]]:
        """The present target was touched."""
        on = replace(self, at=self.at + 1)
        if on.at < len(self.targets):
            return on, ()
        return replace(on, state="fitted"), (FitTouches(self.condition),)

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """Begins, or begins another round of all targets."""
        if self.state == "ready":
            return replace(self, state="target"), ()
        if self.state == "fitted":
            return replace(self, state="target", at=0, result=()), ()
        return self, ()
