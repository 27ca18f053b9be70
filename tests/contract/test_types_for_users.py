"""A user's program is clean for type checkers at their strictest: what the package's types promise to the outside."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

import nearkey

PROGRAM = """
import nearkey as nk
from nearkey.report import plot_layout, save_figure

layout = nk.Layout.named("qwerty")
touch = nk.GaussianTouch.from_layout(layout, spread=0.3)
pack = nk.load_pack("en")
decoder = nk.Decoder(layout, touch, pack, edits=nk.EditCosts.typical(layout))
points = [layout.centers[layout.key_of_letter[c]] for c in "level"]
best: str = decoder.decode(points, context="the pole is", k=3)[0].text
session = nk.Session(decoder)
session.tap(1.0, 1.0)
result = nk.rank_layouts(
    [layout], touch=lambda one: nk.GaussianTouch.from_layout(one, spread=0.3), pack=pack, words=10
)
print(result.best.name, best)
log = nk.TouchLog.from_points([(0.5, 0.5)], ["q"])
model = nk.GaussianTouch().fit(log, layout)
rows: list[dict[str, object]] = result.to_dicts()
found = nk.RankResult.load("ranking.json")
print(found.kind, found.to_dicts(), nk.measures([]).to_dicts("phrase"))
save_figure(plot_layout(layout, title="pad"), "pad.pdf")
"""
SOURCE = str(Path(nearkey.__file__).parents[1])


@pytest.mark.parametrize("mode", ["basic", "strict"])
@pytest.mark.parametrize("checker", ["mypy", "pyright"])
def test_a_users_program_is_clean(checker, mode, tmp_path):
    if find_spec(checker) is None:
        pytest.skip(f"{checker} is not installed")
    (tmp_path / "program.py").write_text(PROGRAM)
    (tmp_path / "pyrightconfig.json").write_text(
        json.dumps({"include": ["program.py"], "extraPaths": [SOURCE], "typeCheckingMode": mode})
    )
    options = ["--pythonpath", sys.executable]
    if checker == "mypy":
        options = [*(["--strict"] if mode == "strict" else []), "program.py"]
    done = subprocess.run(
        [sys.executable, "-m", checker, *options],
        cwd=tmp_path,
        env={**os.environ, "MYPYPATH": SOURCE},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
