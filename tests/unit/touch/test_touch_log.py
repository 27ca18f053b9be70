"""Touch logs: columns, filters, units, files, and the errors that name file, row, field and fix."""

from __future__ import annotations

import copy
import pickle
from pathlib import Path

import numpy as np
import pytest

from nearkey.errors import NearkeyError, TouchDataError
from nearkey.layout import Layout
from nearkey.touch import TouchLog, concat

HEADER = "person,session,trial,order,time_s,x,y,target\n"


def small_log(**columns: object) -> TouchLog:
    return TouchLog.from_points(
        [(0.5, 0.5), (1.5, 0.4), (2.5, 0.6)],
        ["q", "w", "e"],
        participant=["ann", "ann", "bo"],
        time_s=[0.0, 0.5, 0.0],
        **columns,
    )


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_are_read_only_and_of_their_kind() -> None:
    log = small_log(width_mm=[14.0, 14.0, np.nan], posture="thumb", mood=["calm", "", "glad"])
    assert len(log) == 3
    assert log.trial.dtype == np.int64
    assert log.points.shape == (3, 2)
    assert log.extra["mood"].tolist() == ["calm", "", "glad"]
    with pytest.raises(ValueError, match="read-only"):
        log.x[0] = 9.0
    with pytest.raises(AttributeError):
        log.x = np.zeros(3)  # type: ignore[misc]


def test_filters_by_person() -> None:
    log = small_log()
    assert log.participants == ("ann", "bo")
    assert log.of_participant("ann").target.tolist() == ["q", "w"]
    assert log.without_participant("ann").target.tolist() == ["e"]
    assert {name: len(part) for name, part in log.by_participant()} == {"ann": 2, "bo": 1}
    with pytest.raises(
        TouchDataError, match=r"participant: no touches of 'cy'; participants of this log: ann"
    ):
        log.of_participant("cy")
    with pytest.raises(TouchDataError, match="no touches are left"):
        log.select(log.x > 99)


def test_whose_points_are_may_be_said_under_the_name_of_before() -> None:
    points, targets = [(1.0, 1.0), (2.0, 2.0)], ["q", "w"]
    log = TouchLog.from_points(points, targets, person=["p1", "p2"])
    assert log.participants == ("p1", "p2")
    assert dict(log.extra) == {}


def test_concat_fills_what_a_log_lacks() -> None:
    joined = concat([small_log(), small_log(width_mm=13.0, posture="index", pressure=0.5)])
    assert len(joined) == 6
    assert joined.width_mm is not None
    assert joined.width_mm.tolist()[3:] == [13.0, 13.0, 13.0]
    assert np.isnan(joined.width_mm[:3]).all()
    assert joined.posture is not None
    assert joined.posture.tolist() == ["", "", "", "index", "index", "index"]
    assert joined.extra["pressure"].dtype == np.float64


def test_concat_refuses_mixed_units() -> None:
    in_mm = TouchLog.from_points([(3.0, 3.0)], ["q"], unit="mm")
    with pytest.raises(TouchDataError, match=r"unit: .*mixed; call in_units_of"):
        concat([small_log(), in_mm])
    with pytest.raises(TouchDataError, match="no logs to join"):
        concat([])


def test_millimetres_become_layout_units() -> None:
    layout = Layout.named("qwerty")
    log = TouchLog.from_points([(3.0, 6.0)], ["q"], unit="mm").in_units_of(layout)
    assert log.unit == "layout"
    np.testing.assert_allclose(log.points, [(3.0 / layout.unit_mm, 6.0 / layout.unit_mm)])
    assert log.in_units_of(layout) is log


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_unit_survives_the_file(tmp_path: Path, suffix: str) -> None:
    log = TouchLog.from_points([(3.0, 6.0)], ["q"], unit="mm", participant="Zoë", note="a,b")
    log.write(tmp_path / f"log{suffix}")
    again = TouchLog.read(tmp_path / f"log{suffix}")
    assert again == log
    assert again.unit == "mm"
    assert again.where == str(tmp_path / f"log{suffix}")


def test_plain_csv_without_metadata_is_in_layout_units(tmp_path: Path) -> None:
    path = write(tmp_path / "t.csv", "\ufeff" + HEADER + "ann,1,0,0,,0.5,0.5,q\r\n\n")
    log = TouchLog.read(path)
    assert log.unit == "layout"
    assert np.isnan(log.time_s[0])
    assert log.target.tolist() == ["q"]


def test_unit_line_above_the_header(tmp_path: Path) -> None:
    path = write(tmp_path / "t.csv", "# unit = mm\n" + HEADER + "ann,1,0,0,0,3,3,q\n")
    assert TouchLog.read(path).unit == "mm"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("person,x,y\nann,1,2\n", "session, trial, order, time_s, target: columns are missing; a"),
        (HEADER, "rows: holds no touches; log at least one"),
        ("", "columns are missing"),
        (HEADER + "ann,1,0,0,0,nan,1,q\n", "line 2, x: is nan; give a finite number"),
        (HEADER + "ann,1,0,0,0,1,inf,q\n", "line 2, y: is inf; give a finite number"),
        (HEADER + "ann,1,0,0,0,1,,q\n", "line 2, y: is empty; give a finite number"),
        (HEADER + "ann,1,0,0,0,1,1,q\nann,1,0,1,x,1,1,q\n", "line 3, time_s: 'x' is not a number"),
        (HEADER + "ann,1,0.5,0,0,1,1,q\n", "line 2, trial: '0.5' is not a whole number"),
        (HEADER + "ann,1,0,0,0,1_0,1,q\n", "line 2, x: '1_0' is not a number"),
        (HEADER + "ann,1,0,0,0,1,1\n", "line 2: has 7 fields where the header has 8"),
        (HEADER + 'ann,1,0,0,0,1,1,"q\n', "line 2: not valid CSV"),
        (HEADER.replace(",", ";"), "header: fields are parted by semicolons; use commas"),
        (HEADER.replace("y,", "x,"), "header: column 'x' stands twice"),
        (
            "# unit = px\n" + HEADER + "a,1,0,0,0,1,1,q\n",
            "unit: pixels have no size of their own; give dpi",
        ),
        ("# version = 9\n" + HEADER + "a,1,0,0,0,1,1,q\n", "version: version 9 is not known here"),
        (HEADER + "a\x07,1,0,0,0,1,1,q\n", "line 2, participant: holds a control character"),
        (
            "width_mm," + HEADER + "0,a,1,0,0,0,1,1,q\n",
            "line 2, width_mm: is 0.0; give a width above 0",
        ),
    ],
)
def test_bad_csv_names_file_row_field_and_fix(tmp_path: Path, text: str, message: str) -> None:
    path = write(tmp_path / "bad.csv", text)
    with pytest.raises(TouchDataError) as caught:
        TouchLog.read(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


ROW = '{"person":"a","session":"","trial":0,"order":0,"time_s":0,"x":%s,"y":1,"target":"q"}\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{}\n", "line 1, participant: is missing; add it"),
        ("", "holds no touches"),
        (ROW % "1" + "[1]\n", "line 2: is not an object"),
        (ROW % "1" + "{oops\n", "line 2: not valid JSON"),
        (ROW % "NaN", "line 1, x: is nan"),
        (ROW % '"left"', "line 1, x: 'left' is not a number"),
        (ROW % "true", "line 1, x: 'True' is not a number"),
        (ROW % "1" + (ROW % "1").replace('"y":1,', ""), "line 2, y: is missing"),
        ('{"schema":"other"}\n' + ROW % "1", "schema: schema is 'other'"),
    ],
)
def test_bad_jsonl_names_file_row_field_and_fix(tmp_path: Path, text: str, message: str) -> None:
    path = write(tmp_path / "bad.jsonl", text)
    with pytest.raises(TouchDataError) as caught:
        TouchLog.read(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert message in str(caught.value)


def test_damaged_parquet_missing_file_and_unknown_suffix(tmp_path: Path) -> None:
    path = tmp_path / "bad.parquet"
    path.write_bytes(b"PAR1 not really")
    with pytest.raises(TouchDataError, match="not a readable Parquet file"):
        TouchLog.read(path)
    for name in ("gone.csv", "gone.jsonl", "gone.parquet"):
        with pytest.raises(TouchDataError, match="no such file"):
            TouchLog.read(tmp_path / name)
    with pytest.raises(TouchDataError, match=r"suffix '\.txt' is unknown; use \.csv"):
        TouchLog.read(tmp_path / "log.txt")
    with pytest.raises(TouchDataError, match=r"suffix '\.txt' is unknown"):
        small_log().write(tmp_path / "log.txt")


@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_a_failed_write_leaves_the_old_file(
    tmp_path: Path, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / f"log{suffix}"
    small_log().write(path)
    before = path.read_bytes()

    def broken(self: Path, target: Path) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(Path, "replace", broken)
    with pytest.raises(NearkeyError, match="disk full"):
        small_log(posture="thumb").write(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_pickles_and_copies_are_equal_and_read_only() -> None:
    log = small_log(width_mm=[14.0, np.nan, 12.0], mood=["calm", "", "glad"], pressure=[1, 2, 3])
    for again in (pickle.loads(pickle.dumps(log)), copy.deepcopy(log)):
        assert again == log
        with pytest.raises(ValueError, match="read-only"):
            again.x[0] = 9.0


def test_duplicate_rows_are_found() -> None:
    log = small_log()
    twice = concat([log, log.select([1])])
    assert twice.duplicates().tolist() == [3]
    assert log.duplicates().size == 0


def test_wrong_shapes_are_refused() -> None:
    with pytest.raises(TouchDataError, match="points: shape is"):
        TouchLog.from_points([1.0, 2.0], ["q"])
    with pytest.raises(TouchDataError, match="target: has shape"):
        TouchLog.from_points([(1.0, 2.0)], ["q", "w"])
