"""A file that cannot be read is refused in one line; what goes wrong while it is read is told as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from nearkey.errors import NearkeyError
from nearkey.files import opened


def test_a_fault_of_the_reader_is_not_taken_for_one_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("peg seven")
    with (
        pytest.raises(ValueError, match=r"^a fault of the reader's own$") as caught,
        opened(path, NearkeyError),
    ):
        raise ValueError("a fault of the reader's own")
    assert not isinstance(caught.value, NearkeyError)


def test_a_name_that_no_file_can_have_is_refused() -> None:
    with (
        pytest.raises(NearkeyError, match=r"cannot be read .*; check the path"),
        opened("a\0b", NearkeyError),
    ):
        pass
