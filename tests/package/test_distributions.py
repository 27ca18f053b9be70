"""What is published: read from the folder that `make package` has just filled, named by NEARKEY_DISTRIBUTIONS."""

from __future__ import annotations

import os
import tarfile
import zipfile
from email.message import Message
from email.parser import Parser
from pathlib import Path

import pytest

FOLDER = os.environ.get("NEARKEY_DISTRIBUTIONS")
pytestmark = pytest.mark.skipif(FOLDER is None, reason="`make package` builds the distributions")
LARGEST_WHEEL = 3_000_000


def built(pattern: str) -> Path:
    (found,) = Path(FOLDER or "").glob(pattern)
    return found


def metadata(wheel: zipfile.ZipFile) -> Message:
    (name,) = (name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
    return Parser().parsestr(wheel.read(name).decode())


def test_the_sdist_takes_no_pack():
    with tarfile.open(built("nearkey-*.tar.gz")) as sdist:
        names = sdist.getnames()
    assert any(name.endswith("models/en/recipe.toml") for name in names)
    assert [name for name in names if "/pack/" in name] == []


def test_the_main_wheel_is_small_and_under_its_own_licence():
    path = built("nearkey-*.whl")
    assert path.stat().st_size < LARGEST_WHEEL
    with zipfile.ZipFile(path) as wheel:
        fields = metadata(wheel)
        assert [name for name in wheel.namelist() if name.endswith((".ngram", "pack.toml"))] == []
    assert fields["License-Expression"] == "MIT"
    assert "en" in fields.get_all("Provides-Extra", [])
    assert any("nearkey-pack-en" in need for need in fields.get_all("Requires-Dist", []))


def test_the_english_pack_names_the_licence_of_its_data():
    with zipfile.ZipFile(built("nearkey_pack_en-*.whl")) as wheel:
        fields = metadata(wheel)
        (notices,) = (name for name in wheel.namelist() if name.endswith("licenses/LICENCE.md"))
        text = wheel.read(notices).decode()
    assert fields["License-Expression"] == "CC-BY-SA-4.0"
    assert fields["License-File"] == "LICENCE.md"
    assert "https://creativecommons.org/licenses/by-sa/4.0/" in text
    assert "Kevin Atkinson" in text
