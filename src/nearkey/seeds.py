"""What `seed` is wherever random numbers are drawn: a number, or a generator to go on with."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

Seed: TypeAlias = int | np.random.Generator
"""A number, for which the same is drawn every time, or a Generator, which is drawn from and goes on."""


def seed_number(seed: Seed) -> int:
    """The number that stands for a `seed` where results record it, or where several streams are made of it.

    A Generator gives its next number below 2^63.
    """
    return int(seed.integers(2**63)) if isinstance(seed, np.random.Generator) else seed
