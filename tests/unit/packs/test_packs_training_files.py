"""Files of a training and of other libraries' models that are damaged in ways the fuzzers once found: one line each."""

from __future__ import annotations

import json
import lzma
import zipfile

import numpy as np
import pytest

from nearkey.errors import PackError
from nearkey.packs.context_part import read_trained
from nearkey.packs.context_training.training_data import TrainingError, read_data

REPORT = {
    "options": {}, "trained_s": 1.0, "steps": 1, "tokens": 1, "tokens_seen": 1, "device": "cpu", "versions": {},
}  # fmt: skip


def test_weights_that_are_no_array(tmp_path):
    (tmp_path / "report.json").write_text(json.dumps(REPORT))
    np.savez(tmp_path / "weights8.npz", order=np.arange(3, dtype=np.uint32))
    with zipfile.ZipFile(tmp_path / "weights8.npz", "a") as file:
        file.writestr("head.npy", b"no array")
    with pytest.raises(PackError, match="holds no weights"):
        read_trained(tmp_path, 3)


@pytest.mark.parametrize("kind", ["<u2(", "O", "<f4", ["<u2"], None])
def test_tokens_of_another_type(tmp_path, kind):
    (tmp_path / "a.xz").write_bytes(lzma.compress(np.arange(5, dtype="<u2").tobytes()))
    data = {"format": 1, "dtype": kind, "vocabulary": 9, "texts": [],
            "sources": [{"name": "a", "file": "a.xz", "tokens": 5}]}  # fmt: skip
    (tmp_path / "data.json").write_text(json.dumps(data))
    with pytest.raises(TrainingError, match="no training data"):
        read_data(tmp_path)


@pytest.mark.parametrize("count", ["-9223372036854775809", "-1", "99999999999", "1e3", "ten", ""])
def test_an_arpa_file_whose_counts_are_none(tmp_path, count):
    """KenLM ends the process on some of these."""
    pytest.importorskip("kenlm")
    from nearkey.language.kenlm_model import KenlmModel

    path = tmp_path / "lm.arpa"
    path.write_text(f"\\data\\\nngram 1={count}\n\n\\1-grams:\n-1.0\t<unk>\n\n\\end\\\n")
    with pytest.raises(PackError, match="a count of n-grams is none"):
        KenlmModel(path)
