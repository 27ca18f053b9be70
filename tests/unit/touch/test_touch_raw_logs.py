"""Logs as devices write them: other names, pixels, milliseconds, missing values, a skewed sensor, touches far off."""

from __future__ import annotations

import numpy as np
import pytest
from invented_touches import invented_log

import nearkey as nk
from nearkey.errors import TouchDataError
from nearkey.touch import GaussianTouch, TouchLog
from nearkey.touch.raw_logs import affine_of, column_names, fit_affine

PAD = nk.Layout.named("qwerty").fitted(18, 12)
NAMES = {"x": "px_x", "y": "px_y", "target": "key", "time_s": "t"}


@pytest.fixture
def raw(tmp_path):
    """A device's log: pixels at 254 dpi (10 a millimetre), milliseconds, two rows without a place."""
    log = invented_log(PAD, people=1)
    lines = ["t,key,px_x,px_y"]
    for t, key, x, y in zip(log.time_s, log.target, log.x, log.y, strict=True):
        lines.append(f"{135_651 + 1000 * t:.0f},{key},{10 * x:.6f},{10 * y:.6f}")
    lines[5] = "136000,q,,12"
    lines[9] = "137000,q,3,nan"
    path = tmp_path / "raw.csv"
    path.write_text("\n".join(lines) + "\n")
    return path, log


def test_a_raw_log_is_read_by_a_mapping_of_its_columns(raw):
    path, log = raw
    found = TouchLog.read(path, columns=NAMES, unit="px", dpi=254, time_unit="ms", missing="drop")
    kept = np.delete(np.arange(len(log)), [4, 8])
    assert (found.unit, found.n_missing, found.participants) == ("mm", 2, ("",))
    np.testing.assert_allclose(found.points, log.points[kept], atol=1e-6)
    np.testing.assert_allclose(found.time_s, 135.651 + log.time_s[kept], atol=1e-3)
    assert found.target.tolist() == log.target[kept].tolist()
    same = TouchLog.read(path, columns=NAMES, scale=0.1, time_unit="ms", missing="drop")
    np.testing.assert_allclose(same.points, found.points)
    report = nk.clean(found, PAD)[1]
    assert report.notes == (f"Left out: 2 of {len(log)} rows without x or y.",)
    assert report.notes[0] in str(report)


def test_milliseconds_taken_for_seconds_are_spoken_of(raw):
    path, _ = raw
    found = TouchLog.read(path, columns=NAMES, scale=0.1, missing="drop")
    assert any("look like milliseconds" in note for note in nk.clean(found, PAD)[1].notes)


def test_rows_without_a_place_are_refused_by_their_line_unless_told(raw):
    path, _ = raw
    with pytest.raises(TouchDataError, match=r"raw\.csv: line 6, x: is empty"):
        TouchLog.read(path, columns=NAMES, scale=0.1)
    # Later faults still name their line of the file.
    path.write_text(path.read_text().replace("\n", "\n137000,q,x,1\n", 20).replace("x,1", "x,1"))
    with pytest.raises(TouchDataError, match=r"line \d+, x: 'x' is not a number"):
        TouchLog.read(path, columns=NAMES, scale=0.1, missing="drop")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"columns": {"x": "nope", "y": "px_y"}}, "columns: no column 'nope'; the file has t, key"),
        ({"columns": {"x": "px_x"}}, "y: column is missing; name it: y=…"),
        ({"columns": NAMES, "unit": "px"}, "unit: pixels have no size of their own; give dpi"),
        ({"columns": NAMES, "unit": "px", "dpi": 0}, "dpi: is 0; give a number above 0"),
        ({"columns": NAMES, "unit": "px", "dpi": 9, "scale": 9}, "dpi, scale: both are given"),
        ({"columns": NAMES, "unit": "mm", "dpi": 9}, "dpi: is of pixels"),
        ({"columns": NAMES, "time_unit": "min"}, "time_unit: 'min' is unknown; use s, ms or us"),
        ({"columns": NAMES, "affine": [1, 2, 3]}, "affine: is no affine map; give six numbers"),
        ({"columns": NAMES, "affine": [1, 2, 3, 2, 4, 6]}, "affine: is no affine map"),
    ],
)
def test_what_says_too_little_or_two_things_is_refused(raw, options, says):
    with pytest.raises(TouchDataError) as caught:
        TouchLog.read(raw[0], missing="drop", **options)
    assert says in str(caught.value)


def test_a_skewed_sensor_is_set_right_by_three_points(raw):
    path, log = raw
    skew = np.array([[9.0, 1.0, 4.0], [-0.5, 11.0, 2.0]])  # pixels of millimetres
    corners = np.array([[0.0, 0.0], [18.0, 0.0], [0.0, 12.0], [18.0, 12.0]])
    seen = np.column_stack([corners, np.ones(4)]) @ skew.T
    right = fit_affine(seen, corners)
    moved = np.column_stack([log.points, np.ones(len(log))]) @ skew.T
    rows = [f"{k},{x!r},{y!r}" for k, (x, y) in zip(log.target, moved.tolist(), strict=True)]
    path.write_text("key,px_x,px_y\n" + "\n".join(rows) + "\n")
    names = {"x": "px_x", "y": "px_y", "target": "key"}
    found = TouchLog.read(path, columns=names, unit="mm", affine=right)
    np.testing.assert_allclose(found.points, log.points, atol=1e-9)
    with pytest.raises(TouchDataError, match="all on one line"):
        fit_affine([[0, 0], [1, 1], [2, 2]], [[0, 0], [1, 1], [2, 2]])
    assert affine_of(["1", "0", "0", "0", "1", "0"]).shape == (2, 3)


def test_a_mapping_is_written_as_pairs():
    assert column_names("x=px_x, y = px_y") == {"x": "px_x", "y": "px_y"}
    for text, says in (
        ("x", "'x' does not name"),
        ("x=a,x=b", "'x' is named twice"),
        ("=a", "name"),
    ):
        with pytest.raises(TouchDataError, match=says):
            column_names(text)


def test_a_device_that_loses_one_touch_in_nine_is_cleaned_and_named():
    log = invented_log(PAD, people=3)
    points = log.points
    hers = np.flatnonzero(log.participant == "invented-2")
    lost = hers[:: len(hers) // 24][:23]
    points[lost] += (400.0, 0.0)
    wild = log.with_points(points)
    share = f"{len(lost) / len(hers):.0%}"
    assert 0.1 < len(lost) / len(hers) < 0.12
    with pytest.raises(TouchDataError) as caught:
        GaussianTouch().fit(wild, PAD)
    said = str(caught.value)
    assert f"{share[:-1]} % of the touches of 'invented-2'" in said
    assert said.endswith("or clean the log first")
    kept, report = nk.clean(wild, PAD)
    assert set(lost.tolist()) <= {row for row, why in report.dropped if why == "far"}
    assert report.notes == (
        f"{share} of the touches of 'invented-2' lie far off the surface and were dropped: check the device.",
    )
    GaussianTouch().fit(kept, PAD)
