"""What the four activities share: each is a pure state machine that takes steps and names what is to be done.

An activity is an immutable value. A method that moves it on gives the next one and the deeds to carry out, in
their order;
it asks no clock, no file and no decoder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, Self

from nearkey.lab.lab_messages import Button, WorkloadForm
from nearkey.study import BlockPlan


@dataclass(frozen=True, slots=True)
class OpenPads:
    """Empty pads are put up for these conditions."""

    conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class KeepTouch:
    """The touch goes into the touch log, meant for the key `target`; trial and order : its place."""

    target: str
    trial: int
    order: int


@dataclass(frozen=True, slots=True)
class FitTouches:
    """The participant's touches under the condition are cleaned and a model is fitted to them."""

    condition: str


@dataclass(frozen=True, slots=True)
class OpenTrial:
    """The phrase is shown, in a fresh text; trial : its number in the block, from 1."""

    block: BlockPlan
    trial: int
    phrase: str


@dataclass(frozen=True, slots=True)
class CloseTrial:
    """The phrase is done, or `aborted`."""

    aborted: bool = False


@dataclass(frozen=True, slots=True)
class TakeRest:
    """A rest before the block begins."""

    block: BlockPlan


Deed = OpenPads | KeepTouch | FitTouches | OpenTrial | CloseTrial | TakeRest


@dataclass(frozen=True, slots=True)
class ActivityStep:
    """What every device shows of an activity now; see `SceneReply`."""

    name: str
    title: str
    lines: tuple[str, ...] = ()
    target: str = ""
    phrase: str = ""
    done: int = 0
    total: int = 0
    rest_s: float = 0.0
    takes_touches: bool = False
    workload: WorkloadForm | None = None
    buttons: tuple[Button, ...] = ()


class Activity(Protocol):
    """One of calibrate, try, study and replay."""

    @property
    def kind(self) -> str:
        """Its name on the wire."""

    @property
    def step(self) -> ActivityStep:
        """What is to be shown."""

    @property
    def types(self) -> bool:
        """Whether touches go to the decoder now."""

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """What is to be done before the first step."""

    def touched(self) -> tuple[Self, tuple[Deed, ...]]:
        """After a touch that does not type."""

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """After "next"."""

    def leave(self) -> tuple[Deed, ...]:
        """What is to be done when the activity is left here."""


def button(label: str, kind: str, **fields: object) -> Button:
    """A control that sends a message of this `kind`."""
    return Button(label=label, send={"type": kind, **fields})
