"""Word lists: frequencies, counts, spelling."""

from __future__ import annotations

import gzip
from functools import partial

import msgspec
import pytest

from nearkey.errors import PackError
from nearkey.language.reading.corpus import ReadOptions
from nearkey.language.tokens import normalise_word
from nearkey.packs.wordlists import read_counted, read_frequencies, read_spelling


def test_frequencies(tmp_path):
    path = tmp_path / "list.msgpack.gz"
    bins = [{"format": "cB", "version": 1}, ["the"], [], ["Café", "cafe"]]
    path.write_bytes(gzip.compress(msgspec.msgpack.encode(bins)))
    found = read_frequencies(path, normalise=partial(normalise_word, fold=True))
    assert found["the"] == 1.0
    assert found["cafe"] == pytest.approx(2 * 10**-0.02)
    assert set(read_frequencies(path)) == {"the", "café", "cafe"}
    path.write_bytes(gzip.compress(msgspec.msgpack.encode([{"format": "xx"}])))
    with pytest.raises(PackError, match="not a centibel word list"):
        read_frequencies(path)
    path.write_bytes(b"junk")
    with pytest.raises(PackError, match="not a centibel word list"):
        read_frequencies(path)


def test_counted_lists(tmp_path):
    path = tmp_path / "counts.txt"
    path.write_text("the 3\nThe 1\npeg 4\n\n")
    assert read_counted(path) == {"the": 0.5, "peg": 0.5}
    path.write_text("the 3\npeg many\n")
    with pytest.raises(PackError, match="not a word and a count") as caught:
        read_counted(path)
    assert caught.value.field == "line 2"


def test_spelling_lists(tmp_path):
    (tmp_path / "a.dic").write_text("3\nlondon/S\nHaus/AB\n# comment\n")
    (tmp_path / "b.txt").write_text("London\nParis\nmay\nMay\n")
    found = read_spelling([tmp_path / "a.dic", tmp_path / "b.txt"], ReadOptions())
    assert found.words == {"london", "haus", "paris", "may"}
    assert found.forms == {"haus": "Haus", "paris": "Paris"}
    assert "paris" in found
    assert "pari" not in found
