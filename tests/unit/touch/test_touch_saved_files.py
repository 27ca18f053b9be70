"""Files written by version 0.1.0 give the same models and logs for ever.

`saved/` holds a model of each kind and a log of each format as that version wrote them, and in `expected.json` what it
then computed: log densities, samples of a seeded generator, points. Nothing in it is ever rewritten.
All touches are invented (`invented_people` of test_touch_models.py).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from nearkey.layout import Layout
from nearkey.touch import TouchLog, TouchLogWriter, load_touch
from nearkey.touch.log_columns import REQUIRED

SAVED = Path(__file__).parent / "saved"
EXPECTED = json.loads((SAVED / "expected.json").read_text())


@pytest.mark.parametrize("name", EXPECTED["models"])
def test_a_model_of_the_first_version_is_read_as_it_was(name: str, tmp_path: Path) -> None:
    model, expected = load_touch(SAVED / f"{name}.json"), EXPECTED["models"][name]
    # Sums may be taken in another order on another processor: twelve digits, not all.
    found = model.log_prob(EXPECTED["points"])
    np.testing.assert_allclose(found, expected["log_prob"], rtol=1e-12, atol=1e-12)
    drawn = model.sample(EXPECTED["keys"], 7)
    np.testing.assert_allclose(drawn, expected["sample"], rtol=1e-12, atol=1e-12)
    model.save(tmp_path / "again.json")
    assert (tmp_path / "again.json").read_text() == (SAVED / f"{name}.json").read_text()


@pytest.mark.parametrize("suffix", ["csv", "jsonl", "parquet"])
def test_a_log_of_the_first_version_is_read_as_it_was(suffix: str, tmp_path: Path) -> None:
    log = TouchLog.read(SAVED / f"log.{suffix}")
    np.testing.assert_array_equal(log.points, EXPECTED["rows"])
    assert log == TouchLog.read(SAVED / "log.csv")
    log.write(tmp_path / f"again.{suffix}")
    if suffix != "parquet":  # a Parquet file names the library that wrote it
        again = (tmp_path / f"again.{suffix}").read_text()
        was = (SAVED / f"log.{suffix}").read_text()
        assert again == was.replace("person", "participant")  # the name of that column, no more


def test_rows_of_both_names_stand_in_one_growing_log(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    shutil.copy(SAVED / "log.jsonl", path)
    was = TouchLog.read(path)
    with TouchLogWriter(path) as writer:
        writer.add(
            {**{name: was.columns()[name][0].item() for name in REQUIRED}, "participant": "p9"}
        )
    grown = TouchLog.read(path)
    assert grown.participants == (*was.participants, "p9")
    named = TouchLog.read(path, columns={"person": "target"})
    assert named.participants == tuple(dict.fromkeys(grown.target.tolist()))


def test_a_layout_of_the_first_version_comes_back_byte_for_byte(tmp_path: Path) -> None:
    Layout.load(SAVED / "layout.toml").save(tmp_path / "again.toml")
    assert (tmp_path / "again.toml").read_text() == (SAVED / "layout.toml").read_text()


def test_the_column_of_before_keeps_its_name_where_columns_are_named(tmp_path: Path) -> None:
    path = tmp_path / "raw.jsonl"
    path.write_text('{"person": "a", "px": 1, "py": 2}\n{"person": "b", "px": 3, "py": 4}\n')
    places = {"x": "px", "y": "py"}
    for whose in ({}, {"person": "person"}, {"participant": "person"}):
        assert TouchLog.read(path, columns={**whose, **places}).participants == ("a", "b")
