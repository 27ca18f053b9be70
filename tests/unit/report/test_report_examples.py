"""The examples: invented touches marked as such, plans that load, and the demo end to end."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import nearkey as nk
from nearkey.simulate.rank_plan import RankPlan

EXAMPLES = Path(__file__).parents[3] / "examples"


def _script(name: str):
    spec = importlib.util.spec_from_file_location(name, EXAMPLES / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def calibration(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stylus-pad") / "calibration"
    return _script("make_calibration").make_calibration(folder, seed=11)


def test_invented_touches_say_so_in_every_file_and_every_row(calibration):
    for path, _ in calibration.values():
        assert "INVENTED" in path.read_text(encoding="utf-8").splitlines()[0]
        log = nk.TouchLog.read(path)
        assert set(log.device) == {"invented"}
        assert all(person.startswith("invented-") for person in log.participants)
        assert len(log.participants) == 8


def test_the_cleaner_finds_what_was_put_in(calibration):
    for path, layout in calibration.values():
        log, report = nk.clean(nk.TouchLog.read(path), layout)
        reasons = [reason for _, reason in report.dropped]
        assert reasons.count("duplicate") >= 3
        assert 0.005 < reasons.count("far") / report.n_touches < 0.06
        assert [p.participant for p in report.participants if p.backward_times] == ["invented-6"]
        # The spread asked for was about 2 mm; a fit on the cleaned touches must come near it.
        spread = nk.GaussianTouch().fit(log, layout).pooled_covariance_.diagonal() ** 0.5
        assert spread.min() > 1.5
        assert spread.max() < 2.6


def test_the_same_seed_makes_the_same_files_and_another_seed_others(calibration, tmp_path):
    make = sys.modules["make_calibration"].make_calibration
    same, other = make(tmp_path / "same", seed=11), make(tmp_path / "other", seed=12)
    for name, (path, _) in calibration.items():
        assert path.read_bytes() == same[name][0].read_bytes()
        assert path.read_bytes() != other[name][0].read_bytes()


@pytest.mark.parametrize(
    ("plan", "layouts", "context"), [("plan.toml", 50, False), ("field-notes.toml", 32, True)]
)
def test_plans_load_and_find_a_model_for_every_layout(calibration, plan, layouts, context):
    folder = next(iter(calibration.values()))[0].parents[1]
    for source in (EXAMPLES / "stylus-pad").iterdir():
        if source.suffix in (".toml", ".txt"):
            (folder / source.name).write_bytes(source.read_bytes())
    loaded = RankPlan.load(folder / plan)
    # 16 + 32 + 2 strict grids over QWERTY: common practice, no source.
    assert len(loaded.layouts) == layouts
    assert loaded.baseline is not None
    assert loaded.settings()["in_context"] is context
    for layout in (*loaded.layouts, loaded.baseline):
        assert loaded.touch_for(layout).key_ids == layout.key_ids


def test_the_demo_runs_from_end_to_end(english, tmp_path):
    done = subprocess.run(
        [sys.executable, EXAMPLES / "demo.py", "--out", tmp_path / "out", "--words", "200"],
        capture_output=True,
        text=True,
        timeout=60,
        cwd=tmp_path,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )
    assert done.returncode == 0, done.stderr
    page = tmp_path / "out" / "report" / "report.html"
    assert str(page) in done.stdout.splitlines()[-2]
    out = tmp_path / "out"
    command = f"nearkey lab --layout {out / 'best.toml'} --touch {out / 'touch.json'}"
    assert command in done.stdout.splitlines()[-1]
    assert nk.load_touch(out / "touch.json").key_ids == nk.Layout.load(out / "best.toml").key_ids
    for said in ("matched", "leave one person out", "after calibration", "against the spread"):
        assert said in done.stdout
    text = page.read_text(encoding="utf-8")
    assert "All touches are invented" in text
    rows = json.loads((tmp_path / "out" / "ranking.json").read_text(encoding="utf-8"))["rows"]
    assert len(rows) == 51
    assert f"{rows[0]['layout']} came first" in text
    assert RankPlan.load(tmp_path / "out" / "stylus-pad" / "plan.toml").layouts
    for name in ("pad.svg", "people.png", "ellipses.png", "touches-2x3.png"):
        assert (tmp_path / "out" / name).stat().st_size > 1000
