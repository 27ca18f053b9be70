"""What the personal room raises."""

from __future__ import annotations

from nearkey.errors import NearkeyError

__all__ = ["PersonalError"]


class PersonalError(NearkeyError):
    """A person's store is damaged, in use, read-only, or asked for something it cannot do."""
