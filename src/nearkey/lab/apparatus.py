"""The apparatus: which devices are connected, which one is the pad, how its units and its clock map onto the lab's.

A pure value: every change gives a new one. It knows no socket, no file and no decoder.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Self

from numpy.typing import ArrayLike

from nearkey.errors import NearkeyError, TouchDataError
from nearkey.lab.lab_messages import (
    VERSION,
    Affine,
    AffineRequest,
    HelloRequest,
    TouchRequest,
    apply_affine,
)
from nearkey.touch import raw_logs

PAD_ROLES = ("pad", "both", "sensor")
_AHEAD_S, _BEHIND_S, _BACK_S = 0.25, 300.0, 1.0
"""A clock that says a touch happened later than this after it came, longer than that before it came, or so long
before what
went before it, has jumped. Contacts that overlap are told when they end, and so a little out of order."""


def fit_affine(points: ArrayLike, places_mm: ArrayLike) -> Affine:
    """The affine map that takes a sensor's readings nearest to where the touches were, by least squares.

    points : (n, 2) readings in the sensor's units. places_mm : (n, 2) on the pad. Three places not on a line are the
    least. Raises NearkeyError for other shapes, and readings on one line.
    """
    try:
        found = raw_logs.fit_affine(points, places_mm).ravel().tolist()
    except TouchDataError as fault:
        raise fault.at("fit_affine") from None
    return tuple(found)  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class LabClient:
    """A device: serial : of its connection. hello : how it introduced itself, affine : how its units become mm.

    clock_s : the lab's time less the device's, in seconds, None before the device told its own.
    """

    serial: int
    hello: HelloRequest
    affine: Affine | None
    clock_s: float | None = None

    @property
    def name(self) -> str:
        """The client's own name, or one made of the connection's number."""
        return self.hello.client or f"connection-{self.serial}"


@dataclass(frozen=True, slots=True)
class Apparatus:
    """clients : by serial. pad : serial of the one that touches, None where there is none. last_n : the last
    touch taken from each.
    """

    clients: MappingProxyType[int, LabClient] = field(default_factory=lambda: MappingProxyType({}))
    pad: int | None = None
    last_n: MappingProxyType[str, int] = field(default_factory=lambda: MappingProxyType({}))

    def joined(
        self, serial: int, hello: HelloRequest, now_s: float, *, default: Affine | None = None
    ) -> Self:
        """With one more device; one that touches becomes the pad. default : the affine of sensors that give none.

        Raises NearkeyError for a version of the format that is not known here.
        """
        if hello.version != VERSION:
            raise NearkeyError(
                f"is {hello.version}",
                where="hello",
                field="version",
                fix=f"this lab speaks version {VERSION}",
            )
        affine = hello.affine or (default if hello.role == "sensor" else None)
        clock = None if hello.t_ms is None else now_s - hello.t_ms / 1000
        client = LabClient(serial, hello, affine, clock)
        pad = serial if hello.role in PAD_ROLES else None if self.pad == serial else self.pad
        return replace(self, clients=MappingProxyType({**self.clients, serial: client}), pad=pad)

    def left(self, serial: int) -> Self:
        """Without a device."""
        clients = {s: client for s, client in self.clients.items() if s != serial}
        pad = None if self.pad == serial else self.pad
        return replace(self, clients=MappingProxyType(clients), pad=pad)

    def with_affine(self, serial: int, request: AffineRequest) -> Self:
        """A device's units changed."""
        return self._changed(replace(self.clients[serial], affine=request.affine))

    def heard(self, serial: int, t_ms: float, now_s: float) -> Self:
        """A device told its clock: the quickest message of all is the nearest to the truth."""
        client = self.clients[serial]
        clock = now_s - t_ms / 1000
        if client.clock_s is not None and client.clock_s <= clock:
            return self
        return self._changed(replace(client, clock_s=clock))

    def _changed(self, client: LabClient) -> Self:
        return replace(self, clients=MappingProxyType({**self.clients, client.serial: client}))

    def is_new(self, serial: int, n: int) -> bool:
        """Whether a touch of this number was not taken from this client before; 0 is no number."""
        return n == 0 or n > self.last_n.get(self.clients[serial].name, 0)

    def taken(self, name: str, n: int) -> Self:
        """Touch `n` of the client called `name` is taken."""
        last = max(n, self.last_n.get(name, 0))
        return replace(self, last_n=MappingProxyType({**self.last_n, name: last}))

    def place(
        self, serial: int, touch: TouchRequest
    ) -> tuple[tuple[float, float], tuple[float, float] | None]:
        """Where a touch began and ended, in mm on the pad. Raises NearkeyError where that is not finite."""
        affine = self.clients[serial].affine
        end = None if touch.to is None else apply_affine(affine, *touch.to)
        return apply_affine(affine, touch.x, touch.y), end

    def moment(
        self, serial: int, t_ms: float | None, now_s: float, *, not_before_s: float
    ) -> tuple[float, bool]:
        """When something happened by the lab's clock, and whether the device's clock had jumped.

        t_ms : on the device's clock. now_s : when it was told. not_before_s : what it cannot come before.
        Where the device tells no time, or one that cannot be, it is the time it was told.
        """
        clock = self.clients[serial].clock_s
        if t_ms is None or clock is None:
            return max(now_s, not_before_s), False
        at = t_ms / 1000 + clock
        earliest = max(now_s - _BEHIND_S, not_before_s - _BACK_S)
        jumped = not earliest <= at <= now_s + _AHEAD_S
        return max(now_s if jumped else at, not_before_s), jumped

    def described(self) -> tuple[dict[str, Any], ...]:
        """The devices, for the experimenter."""
        return tuple(
            {
                "role": client.hello.role,
                "device": client.hello.device,
                "is_pad": serial == self.pad,
                "pixels_per_mm": client.hello.pixels_per_mm,
                "calibrated": client.hello.calibrated,
            }
            for serial, client in self.clients.items()
        )
