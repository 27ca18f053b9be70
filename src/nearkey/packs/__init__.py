"""Room: packs. Making language packs: reading text, counting, estimating, mixing, pruning, writing."""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import TypeVar

__all__ = ["BuildProgress", "finished"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BuildProgress:
    """One step of a build: the stage's name, steps done and in all (0 if unknown), and a remark."""

    stage: str
    done: int = 0
    total: int = 0
    note: str = ""


def finished(
    steps: Generator[BuildProgress, None, T],
    *,
    on_step: Callable[[BuildProgress], object] = lambda step: None,
) -> T:
    """Run a job to its end; what it returns. `on_step` is called with each record of its progress."""
    while True:
        try:
            on_step(next(steps))
        except StopIteration as end:
            found: T = end.value
            return found
