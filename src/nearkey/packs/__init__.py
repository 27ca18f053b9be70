"""Room: packs. Making language packs: reading text, counting, estimating, mixing, pruning, writing."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BuildProgress"]


@dataclass(frozen=True, slots=True)
class BuildProgress:
    """One step of a build: the stage's name, steps done and in all (0 if unknown), and a remark."""

    stage: str
    done: int = 0
    total: int = 0
    note: str = ""
