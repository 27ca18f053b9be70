"""Room: packs. Making language packs: reading text, counting, estimating, mixing, pruning, writing."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any, TypeVar

__all__ = ["BuildProgress", "finished"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BuildProgress:
    """One step of a build: the stage's name, steps done and in all (0 if unknown), and a remark."""

    stage: str
    done: int = 0
    total: int = 0
    note: str = ""


def finished(steps: Generator[Any, None, T]) -> T:
    """Run a job to its end without a look at its progress; what it returns."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            found: T = end.value
            return found
