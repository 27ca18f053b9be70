"""Entry points of other distributions: found by name, and a broken one names itself and hurts nobody else."""

from __future__ import annotations

import ast
import logging
import sys
from pathlib import Path

import pytest
from command_line import done, refused, strict_json
from small_packs import build_small_pack

import nearkey as nk
from nearkey.errors import NearkeyError
from nearkey.plugins import DECODERS, OBJECTIVES, TOUCH_MODELS_GROUP, load_plugin, plugin_names

PAD = nk.Layout.named("qwerty").fitted(24, 12)

MODULE = '''
import json
from pathlib import Path
import nearkey as nk
from nearkey.touch import GaussianTouch

class Circles:
    """A third party's touch model: circles of one size."""
    def __init__(self, layout):
        self._model = GaussianTouch.from_layout(layout, spread=0.4)
        self.key_ids, self.components = self._model.key_ids, self._model.components
        self.log_prob, self.sample = self._model.log_prob, self._model.sample
    @classmethod
    def from_layout(cls, layout):
        return cls(layout)
    @classmethod
    def restore(cls, data):
        return cls(nk.Layout.named(data["on"]))

class OnlyThe:
    """A third party's decoder."""
    def __init__(self, *, layout, touch, pack):
        self.words = pack.lexicon.words
    def decode(self, points, *, context, k):
        return [nk.Candidate("the", "the", 0.0, 0.0, 0.0, "word", 0)]

class NoDecoder(OnlyThe):
    """One whose decoder cannot decode."""
    decode = None

def failing(*, layout, touch, pack):
    raise RuntimeError("no room")

def count(*arguments):
    return len(arguments)

def notes_pack():
    return Path(__file__).parent / "notes"
'''


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """An invented distribution with three good entry points and five broken ones."""
    site = tmp_path / "site"
    info = site / "survey_parts-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: survey-parts\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        f"[{TOUCH_MODELS_GROUP}]\ncircles = survey_parts:Circles\nbent = survey_parts:Nothing\n"
        f"[{DECODERS}]\nonly-the = survey_parts:OnlyThe\nbent = no_such_module\n"
        "failing = survey_parts:failing\nno-decoder = survey_parts:NoDecoder\n"
        f"[{OBJECTIVES}]\ncount = survey_parts:count\n"
        "[nearkey.packs]\nbent = no_such_module\nnotes = survey_parts:notes_pack\n"
    )
    (site / "survey_parts.py").write_text(MODULE)
    monkeypatch.syspath_prepend(str(site))
    yield site
    sys.modules.pop("survey_parts", None)


def test_names_are_known_without_loading_anything(installed):
    assert "survey_parts" not in sys.modules
    assert plugin_names(TOUCH_MODELS_GROUP) == ("bent", "circles")
    assert "survey_parts" not in sys.modules
    assert load_plugin(OBJECTIVES, "count")(1, 2) == 2
    assert load_plugin(OBJECTIVES, "nothing") is None


def test_a_pack_is_found_by_the_name_of_its_entry_point(installed):
    build_small_pack(installed / "notes")
    (folder,) = (installed / "notes").rglob("pack.toml")
    (installed / "survey_parts.py").write_text(
        MODULE.replace('parent / "notes"', f"parent / {str(folder.parent)!r}")
    )
    pack = nk.load_pack("notes")
    assert pack.folder == folder.parent
    nk.check_pack(pack)


def test_a_broken_one_names_itself(installed):
    with pytest.raises(NearkeyError) as caught:
        load_plugin(TOUCH_MODELS_GROUP, "bent")
    said = str(caught.value)
    assert said.startswith(
        "nearkey.touch_models: bent: survey_parts:Nothing: its entry point fails: "
    )
    assert said.endswith("reinstall or remove survey-parts")


def test_load_touch_restores_a_third_partys_kind(installed, tmp_path):
    path = tmp_path / "circles.json"
    path.write_text('{"schema": "nearkey.touch", "version": 1, "kind": "circles", "on": "qwerty"}')
    model = nk.load_touch(path)
    assert type(model).__name__ == "Circles"
    nk.check_touch_model(model, nk.Layout.named("qwerty"))
    path.write_text('{"schema": "nearkey.touch", "version": 1, "kind": "bent"}')
    with pytest.raises(NearkeyError, match="survey_parts:Nothing: its entry point fails"):
        nk.load_touch(path)
    path.write_text('{"schema": "nearkey.touch", "version": 1, "kind": "squares"}')
    with pytest.raises(NearkeyError, match=r"circles\.json"):
        nk.load_touch(path)


def test_the_command_line_finds_models_and_decoders_by_name(english, installed, tmp_path):
    on = ("score", "qwerty", "--fit-mm", 24, 12, "--words", 60, "--compare-words", 60)
    found = done(*on, "--touch", "circles", "--decoder", "only-the", "--json")
    (score,) = strict_json(found.stdout)
    assert score["compared"]["only-the"]["faults"] == {}
    # The broken ones are an error for who names them, and for nobody else.
    assert "bent: no_such_module: its entry point fails" in refused(
        tmp_path, *on, "--spread-mm", 1, "--decoder", "bent"
    )
    assert "failing: survey_parts:failing: its entry point fails: RuntimeError: no room" in refused(
        tmp_path, *on, "--spread-mm", 1, "--decoder", "failing"
    )
    assert "its entry point fails: what it makes has no decode(" in refused(
        tmp_path, *on, "--spread-mm", 1, "--decoder", "no-decoder"
    )
    assert "bent: survey_parts:Nothing" in refused(tmp_path, *on, "--touch", "bent")
    assert "or give NAME=COMMAND" in refused(tmp_path, *on, "--spread-mm", 1, "--decoder", "none")
    assert nk.load_pack("en").info.name == "en"
    listed = done("pack", "info")
    assert "en" in listed.stdout
    assert "bent: no_such_module: its entry point fails" in listed.stderr


def test_a_decoder_that_cannot_run_is_an_error(tmp_path):
    on = ("score", "qwerty", "--spread-mm", 1, "--words", 20)
    for command, says in (
        ("/no/such/program", "no decoder: cannot be run"),
        (f"{sys.executable} -c 'raise SystemExit(3)'", "no decoder: crashed: exit code 3"),
        (f"{sys.executable} -c 'print(1)'", "no decoder: "),
    ):
        assert says in refused(tmp_path, *on, "--decoder", f"mine={command}")


def test_there_is_one_silent_logger_and_no_bare_print():
    assert all(isinstance(h, logging.NullHandler) for h in logging.getLogger("nearkey").handlers)
    assert logging.getLogger("nearkey").handlers
    for path in Path(nk.__file__).parent.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = (n.func for n in ast.walk(tree) if isinstance(n, ast.Call))
        assert not any(isinstance(f, ast.Name) and f.id == "print" for f in calls), path
        if path.name != "logger.py":
            assert "getLogger" not in path.read_text(encoding="utf-8"), path
