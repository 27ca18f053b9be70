"""Predicted entry speed: movement, looking at the candidates, selecting.

A prediction for ranking layouts before hardware exists; no substitute for a study.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from nearkey.errors import PlanError
from nearkey.simulate.columns import Floats, Ints

_SQRT_2_PI_E = math.sqrt(2.0 * math.pi * math.e)


def finger_fitts_time(
    distance_mm: Floats | float,
    sigma_mm: Floats | float,
    *,
    a_s: float,
    b_s: float,
    sigma_a_mm: float,
) -> Floats:
    """Movement time of a finger, T = a + b log2(A / sqrt(2 pi e (sigma^2 - sigma_a^2)) + 1), seconds.

    distance_mm : A, between the targets. sigma_mm : spread of the endpoints. sigma_a_mm : the finger's
    absolute precision. Source: Bi, Li & Zhai, "FFitts law", CHI 2013, 1363-1372 (equation from memory).
    Endpoints no wider than the absolute precision leave no room for speed; sigma is then taken 10 % above it.
    """
    variance = np.maximum(np.square(sigma_mm) - sigma_a_mm**2, 0.21 * sigma_a_mm**2 + 1e-12)
    width = _SQRT_2_PI_E * np.sqrt(variance)
    return np.asarray(a_s + b_s * np.log2(np.asarray(distance_mm) / width + 1.0))


@dataclass(frozen=True, slots=True)
class Speed:
    """Constants of the prediction.

    No published value of these was verified for such surfaces: the defaults are plausible figures
    (common practice, no source), the same for every layout, so compare layouts by them and do not
    quote the speed itself. Set your own from a pilot.

    a_s, b_s : intercept and slope of the finger's law; sigma_a_mm : its absolute precision.
    scan_s : a look at the list, for each candidate read up to the wanted one; keystroke_s : a press of next,
    space or delete; start_s : before a word's first touch.
    """

    a_s: float = 0.10
    b_s: float = 0.12
    sigma_a_mm: float = 1.0
    scan_s: float = 0.25
    keystroke_s: float = 0.30
    start_s: float = 0.20

    def __post_init__(self) -> None:
        for name in ("a_s", "b_s", "sigma_a_mm", "scan_s", "keystroke_s", "start_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0):
                raise PlanError(
                    f"{value} is not a time or length", field=f"speed.{name}", fix="give 0 or more"
                )

    def words_s(
        self,
        movement_s: Floats,
        n_touches: Ints,
        keystrokes: Floats,
        rank: Ints,
        k: int,
    ) -> Floats:
        """Seconds each word takes, (n,), given the movement times of its touches.

        Keystrokes beyond the touches take `keystroke_s` each; a word not found is looked for
        through the whole list.
        """
        looked = np.where((rank >= 1) & (rank <= k), rank, k)
        return (
            self.start_s
            + movement_s
            + self.scan_s * looked
            + self.keystroke_s * (keystrokes - n_touches)
        )
