"""The door to scipy, which only study statistics need."""

from __future__ import annotations

from types import ModuleType

from nearkey.errors import NearkeyError

__all__ = ["scipy_stats"]


def scipy_stats() -> ModuleType:
    """`scipy.stats`, or a NearkeyError that names the extra to install."""
    try:
        from scipy import stats
    except ImportError:
        raise NearkeyError(
            "study statistics need scipy", fix="pip install 'nearkey[stats]'"
        ) from None
    return stats  # type: ignore[no-any-return]
