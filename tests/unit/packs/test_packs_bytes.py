"""The same inputs give the bytes they gave before: packs of invented notes, as nearkey 0.1.0 first built them
but for LICENCE.md, which says more now."""

from __future__ import annotations

import hashlib
from importlib.metadata import version

import pytest
from small_packs import build_small_pack, invented_notes

from nearkey.packs.adapt import adapt_pack

# pack.toml holds the SHA-256 of every other file, so that its own stands for all bytes of the pack.
VERSIONS = {"numpy": "2.4.6", "marisa-trie": "1.4.1", "tomli-w": "1.2.0"}
PLAIN = "988fc2d10eec355c"
PRUNED = "0e4d236520c8907e"
ADAPTED = "76692bf7420f7e60"

pytestmark = pytest.mark.skipif(
    {name: version(name) for name in VERSIONS} != VERSIONS,
    reason=f"the bytes were recorded with {VERSIONS}",
)


def digest(folder) -> str:
    return hashlib.sha256((folder / "pack.toml").read_bytes()).hexdigest()[:16]


def test_a_pack_and_what_is_adapted_from_it(tmp_path):
    folder, _ = build_small_pack(tmp_path)
    assert digest(folder) == PLAIN
    own = "\n".join(invented_notes(300, 9)).replace("tripod", "gyrostat")
    (tmp_path / "own.txt").write_text(own + "\n", encoding="utf-8")
    for _ in adapt_pack(folder, [tmp_path / "own.txt"], tmp_path / "adapted"):
        pass
    assert digest(tmp_path / "adapted") == ADAPTED


def test_a_pruned_pack_of_order_four(tmp_path):
    folder, _ = build_small_pack(tmp_path, order=4, max_bytes=6000)
    assert digest(folder) == PRUNED
