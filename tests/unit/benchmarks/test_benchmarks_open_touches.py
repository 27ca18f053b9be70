"""From the files of the open phone touches to a touch log and the command line."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from command_line import done, listing
from matplotlib.image import imread

import nearkey as nk
from nearkey.touch import TouchLog
from nearkey.touch.labelling import label

SCRIPT = Path(__file__).parents[3] / "benchmarks" / "touch" / "open_touches.py"
MM_PER_PIXEL = 25.4 / 326  # the phone's 326 pixels an inch, as its source says


def converted(data: Path | None, out: Path) -> subprocess.CompletedProcess[str]:
    others = {k: v for k, v in os.environ.items() if k != "NEARKEY_DATA"}
    named = {} if data is None else {"NEARKEY_DATA": str(data)}
    return subprocess.run(
        [sys.executable, str(SCRIPT), "--out", str(out)],
        env=others | named,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def source(tmp_path):
    """Invented taps in the columns of the open files; returns the folder and the offsets in mm."""
    folder = tmp_path / "data" / "touch_accuracy"
    folder.mkdir(parents=True)
    rng = np.random.default_rng(4)
    people = ["PID,Age,ThumbPadWidth"]
    taps = ["PID,Trial,TouchX,TouchY,TargetX,TargetY,SelectionTimeSeconds,Outlier"]
    offsets = []
    for person in (1, 2, 3):
        people.append(f"{person},30,{1.2 + 0.2 * person:.1f}")
        lean = rng.normal(0, 8, 2)
        for trial in range(80):
            target = rng.uniform((20, 20), (730, 1314)).round()
            touch = (target + lean + rng.normal(0, 14, 2)).round()
            offsets.append((touch - target) * MM_PER_PIXEL)
            numbers = ",".join(f"{v:.1f}" for v in (*touch, *target))
            taps.append(f"{person},{trial},{numbers},0.5,False")
    (folder / "participants.csv").write_text("\n".join(people) + "\n")
    (folder / "taps_phone_b.csv").write_text("\n".join(taps) + "\n")
    return folder.parent, np.array(offsets)


def test_two_commands_lead_from_the_files_to_a_table_and_a_picture(source, tmp_path):
    data, offsets = source
    out = tmp_path / "made" / "open.csv"
    found = converted(data, out)
    assert (found.returncode, found.stderr) == (0, "")
    said, command = found.stdout.splitlines()
    assert said == f"{out}: 240 touches of 3 people; {out.with_suffix('.toml')}: the keys"
    log, layout = TouchLog.read(out), nk.Layout.load(out.with_suffix(".toml"))
    np.testing.assert_allclose(label(log, layout).offsets * layout.unit_mm, offsets, atol=1e-9)
    assert sorted(set(log.width_mm)) == pytest.approx([14.0, 16.0, 18.0])
    name, *arguments = shlex.split(command)
    assert name == "nearkey"
    table = done(*arguments)
    assert "Leave one person out, 3 people" in table.stdout
    assert imread(out.with_suffix(".png")).shape[1] > 900


def test_without_the_data_one_line_says_so(tmp_path):
    for data in (None, tmp_path):
        found = converted(data, tmp_path / "made" / "open.csv")
        assert found.returncode == 2
        assert found.stdout == ""
        assert found.stderr == (
            "open_touches: the open touch data is not on this machine; set NEARKEY_DATA to the "
            "folder that holds it\n"
        )
    assert listing(tmp_path) == {}


def test_a_log_of_unknown_kind_is_refused(source, tmp_path):
    data, _ = source
    before = listing(tmp_path)
    found = converted(data, tmp_path / "open.xls")
    assert found.returncode == 2
    assert "suffix '.xls' is unknown; use .csv, .jsonl or .parquet" in found.stderr
    assert len(found.stderr.splitlines()) == 1
    assert listing(tmp_path) == before
