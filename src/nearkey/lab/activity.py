"""What the four activities share: each is a pure state machine that takes steps and names what is to be done.

An activity is an immutable value. A method that moves it on gives the next one and the deeds to carry out, in
their order;
it asks no clock, no file and no decoder.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Self

from nearkey.lab.lab_messages import Button, SceneReply
from nearkey.session.study_sitting import SittingTrial


@dataclass(frozen=True, slots=True)
class OpenPads:
    """Empty pads are put up for these conditions."""

    conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FitTouches:
    """The participant's touches under the condition are cleaned and a model is fitted to them."""

    condition: str


@dataclass(frozen=True, slots=True)
class OpenTrial:
    """The phrase is shown, in a fresh text."""

    trial: SittingTrial


@dataclass(frozen=True, slots=True)
class CloseTrial:
    """The phrase is done, or `aborted`."""

    aborted: bool = False


@dataclass(frozen=True, slots=True)
class TakeRest:
    """A rest of so many seconds before the block begins."""

    seconds: float


Deed = OpenPads | FitTouches | OpenTrial | CloseTrial | TakeRest


class Activity(ABC):
    """One of calibrate, try, study and replay."""

    __slots__ = ()

    @property
    def types(self) -> bool:
        """Whether touches go to the decoder now."""
        return False

    @property
    @abstractmethod
    def scene(self) -> SceneReply:
        """What is to be shown, but for the pads and how they are shown."""

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """What is to be done before the first step."""
        return self, ()

    @abstractmethod
    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """After "next"."""

    def leave(self) -> tuple[Deed, ...]:
        """What is to be done when the activity is left here."""
        return ()


def button(label: str, kind: str, **fields: object) -> Button:
    """A control that sends a message of this `kind`."""
    return Button(label=label, send={"type": kind, **fields})
