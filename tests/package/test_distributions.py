"""What is published: read from the folder that `make package` has just filled, named by NEARKEY_DISTRIBUTIONS."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tarfile
import zipfile
from email.message import Message
from email.parser import Parser
from pathlib import Path

import pytest

FOLDER = os.environ.get("NEARKEY_DISTRIBUTIONS")
pytestmark = pytest.mark.skipif(FOLDER is None, reason="`make package` builds the distributions")
LARGEST_WHEEL = 3_000_000
HOME = "https://nearkey.example/files/"  # an address that is nobody's (RFC 2606); see the Makefile


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


def test_addresses_and_links_lead_to_the_home_that_the_build_was_told():
    with zipfile.ZipFile(built("nearkey-*.whl")) as wheel:
        fields = metadata(wheel)
    urls = dict(url.split(", ") for url in fields.get_all("Project-URL", []))
    assert urls == {
        "Homepage": HOME,
        "Documentation": f"{HOME}docs/index.md",
        "Changelog": f"{HOME}CHANGELOG.md",
    }
    links = re.findall(r"\]\(([^)]+)\)", fields.get_payload())
    assert f"{HOME}docs/layouts.md" in links
    assert [link for link in links if not link.startswith(("https://", "#"))] == []


def test_the_wheel_runs_on_other_linux_systems():
    shown = subprocess.run(
        [sys.executable, "-m", "auditwheel", "show", str(built("nearkey-*.whl"))],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    (tag,) = re.findall(r"following platform\s+tag:\s+\"manylinux_2_(\d+)", shown)
    assert int(tag) <= 36  # of systems from 2022 on


# An editable installation finds its own tree before any path: it steps back, and what is tested is looked at.
ON_THE_WHEEL = """
import sys
sys.meta_path[:] = [f for f in sys.meta_path if "Redirecting" not in type(f).__name__]
import nearkey, pytest
assert nearkey.__file__.startswith(sys.argv[1]), nearkey.__file__
sys.exit(pytest.main(sys.argv[2:]))
"""


def test_the_sdists_own_tests_run_on_the_wheel(tmp_path):
    with tarfile.open(built("nearkey-*.tar.gz")) as sdist:
        sdist.extractall(tmp_path, filter="data")
    (tree,) = tmp_path.iterdir()
    with zipfile.ZipFile(built("nearkey-*.whl")) as wheel:
        wheel.extractall(tmp_path / "wheel")
    wheel_at = os.fspath(tmp_path / "wheel")
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            ON_THE_WHEEL,
            wheel_at,
            "-p",
            "no:cacheprovider",
            "tests/unit/layout",
        ],
        cwd=tree,
        env={**os.environ, "PYTHONPATH": wheel_at},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:]
    assert " passed" in done.stdout
