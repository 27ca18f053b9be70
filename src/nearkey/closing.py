"""What has a `close` is closed at the end of a `with` statement."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Self


class Closable(ABC):
    """A context manager of itself: the end of the block closes it, whether it was reached or an error left it."""

    __slots__ = ()

    @abstractmethod
    def close(self) -> None:
        """Let go of what is held; closing twice is allowed."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        self.close()
