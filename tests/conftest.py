"""What tests of all rooms share."""

from __future__ import annotations

import pytest

import nearkey as nk
from nearkey.errors import NearkeyError
from nearkey.language import Pack


@pytest.fixture(scope="session")
def english() -> Pack:
    """The English pack; what needs it is skipped where it is not installed."""
    try:
        return nk.load_pack("en")
    except NearkeyError as fault:
        pytest.skip(f"the English pack is not here: {fault}")
