"""`nearkey decode`, `nearkey try`, `nearkey serve-decoder` and `nearkey person …`."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest
from click.testing import CliRunner
from command_line import done, refused, strict_json
from invented_touches import invented_log

import nearkey as nk
from nearkey.cli import cli
from nearkey.errors import NearkeyError
from nearkey.touch import PeopleTouch

try:
    PACK = nk.load_pack("en")
except NearkeyError as fault:
    pytest.skip(f"the English pack is not here: {fault}", allow_module_level=True)

PAD = nk.Layout.named("qwerty").fitted(24, 12)
ON = ("--layout", "qwerty", "--fit-mm", 24, 12, "--spread-mm", 1.0)


def test_touches_in_candidates_out(tmp_path):
    rows = ["trial,x,y"]
    for trial, word in enumerate(("the", "pole", "is", "level")):
        for letter in word:
            x, y = PAD.centers[PAD.key_of_letter[letter]]
            rows.append(f"{trial},{x},{y}")
    path = tmp_path / "touches.csv"
    path.write_text("\n".join(rows) + "\n")
    found = strict_json(done("decode", path, *ON, "--unit", "mm", "--json").stdout)
    assert [word["candidates"][0]["text"].lower() for word in found] == [
        "the",
        "pole",
        "is",
        "level",
    ]
    assert found[3]["context"].lower() == "the pole is"
    assert found[3]["touches"] == 5
    table = done("decode", path, *ON, "--unit", "mm", "-k", 2).stdout.splitlines()
    assert table[0].split() == ["word", "touches", "log", "P", "candidates"]
    assert max(map(len, table)) <= 80
    # The same from a pipe, as the decoder itself says it.
    piped = CliRunner().invoke(
        cli, ["decode", "-", *map(str, ON), "--unit", "mm", "--json"], input=path.read_text()
    )
    assert json.loads(piped.stdout) == found
    decoder = nk.Decoder(PAD, nk.GaussianTouch.from_layout(PAD, spread_mm=1.0), PACK)
    word = [PAD.centers[PAD.key_of_letter[c]] for c in "level"]
    best = decoder.decode(word, context=found[3]["context"], k=5)
    assert [c["text"] for c in found[3]["candidates"]] == [c.text for c in best]


def test_decode_says_what_is_missing(tmp_path):
    path = tmp_path / "touches.csv"
    path.write_text("trial,a,b\n0,1,2\n")
    assert "columns: no column 'x'; the file has trial, a, b" in refused(
        tmp_path, "decode", path, *ON
    )
    assert "say where touches land" in refused(tmp_path, "decode", path, "--layout", "qwerty")
    assert "no such file" in refused(tmp_path, "decode", tmp_path / "no.csv", *ON)
    path.write_text("x,y\n" + "1,2\n" * 101)
    assert f"{path}: trial 0: holds 101 touches; give each word a trial of its own" in refused(
        tmp_path, "decode", path, *ON
    )


def test_a_line_is_tried_under_noise():
    found = done("try", "the fence line is", *ON, "--seed", 3)
    lines = found.stdout.splitlines()
    assert lines[0].split() == ["word", "touched", "place", "candidates"]
    assert [line.split()[0] for line in lines[1:5]] == ["the", "fence", "line", "is"]
    assert lines[-1].endswith(" of 4 words right")
    assert max(map(len, lines)) <= 80
    # Of a list too long for its line, whole words are shown.
    assert ", …" not in (long := done("try", "the fence line is", *ON, "-k", 20).stdout)
    assert " …" in long
    rows = strict_json(done("try", "the fence line is", *ON, "--seed", 3, "--json").stdout)
    assert [row["word"] for row in rows] == ["the", "fence", "line", "is"]
    assert sum(row["place"] == 1 for row in rows) == int(lines[-1].split()[0])
    again = done("try", "the fence line is", *ON, "--seed", 4, "--json").stdout
    assert strict_json(again) != rows
    # Without an argument, lines come from standard input.
    piped = CliRunner().invoke(
        cli, ["try", *map(str, ON), "--seed", "3"], input="the fence line is\n"
    )
    assert piped.stdout == found.stdout


def test_try_refuses_what_cannot_be_typed(tmp_path):
    assert "TEXT: has no letter of the layout" in refused(tmp_path, "try", "123", *ON)
    assert "neither a file nor a layout" in refused(
        tmp_path, "try", "a", "--layout", "nope", "--spread-mm", 1
    )
    assert "no such pack" in refused(tmp_path, "try", "a", *ON, "--pack", "nope")


def test_nearkey_answers_its_own_protocol():
    found = done(
        "score", "qwerty", "--fit-mm", 24, 12, "--spread-mm", 1, "--words", 150, "--compare-words", 60,
        "--decoder", f"own={sys.executable} -m nearkey.cli serve-decoder", "--json",
    )  # fmt: skip
    (score,) = strict_json(found.stdout)
    own, served = score["compared"]["nearkey"], score["compared"]["own"]
    assert served["faults"] == {}
    assert [served["all"][f"top{k}"] for k in (1, 3, 5, 10)] == [
        own["all"][f"top{k}"] for k in (1, 3, 5, 10)
    ]


def test_a_served_line_that_is_no_message_is_refused():
    done_ = subprocess.run(
        [sys.executable, "-m", "nearkey.cli", "serve-decoder"],
        input="nonsense\n",
        text=True,
        capture_output=True,
        check=False,
    )
    assert done_.returncode == 2
    assert done_.stderr.startswith("nearkey: standard input: line 1: is no message of the protocol")


def test_a_person_is_adapted_exported_and_forgotten(tmp_path):
    notes = tmp_path / "notes.txt"
    notes.write_text("ask kellerby for the long staff\nkellerby has the long staff\n" * 3)
    folder = tmp_path / "anna"
    learnt = done("person", "adapt", folder, "--text", notes).stdout
    assert "words" in learnt
    assert (folder / "words.jsonl").stat().st_mode & 0o777 == 0o600
    held = strict_json(done("person", "export", folder).stdout)
    assert "kellerby" in json.dumps(held)
    out = tmp_path / "anna.json"
    assert done("person", "export", folder, "-o", out).stdout == f"{out}\n"
    assert strict_json(out.read_text()) == held
    assert out.stat().st_mode & 0o777 == 0o600
    said = done("person", "forget", folder, "kellerby", "nosuchword").stdout.splitlines()
    assert said == ["kellerby: forgotten", "nosuchword: was not known"]
    assert "kellerby" not in (folder / "words.jsonl").read_text()
    done("person", "forget", folder, "--everything")
    assert list(folder.iterdir()) == []


def test_a_persons_touches_are_adapted(tmp_path):
    log = invented_log(PAD, people=4)
    people = tmp_path / "people.json"
    PeopleTouch().fit(log.without_participant("invented-4"), PAD).save(people)
    hers = tmp_path / "hers.csv"
    log.of_participant("invented-4").write(hers)
    folder = tmp_path / "anna"
    adapt = ("person", "adapt", folder, "--touches", hers, "--layout", "qwerty", "--fit-mm", 24, 12)
    assert "has no touch model yet" in refused(tmp_path, *adapt)
    done(*adapt, "--people", people)
    once = nk.load_touch(folder / "touch.json")
    done(*adapt)  # goes on from what was learnt
    twice = nk.load_touch(folder / "touch.json")
    np.testing.assert_allclose(twice.n_touches_.sum(), 2 * once.n_touches_.sum(), rtol=0.05)
    held = strict_json(done("person", "export", folder).stdout)
    assert held["touch"] == json.loads((folder / "touch.json").read_text())


def test_person_refuses_what_says_too_little(tmp_path):
    assert "nothing to learn from" in refused(tmp_path, "person", "adapt", tmp_path / "x")
    assert "no person's words" in refused(tmp_path, "person", "export", tmp_path)
    assert "in no way or in two" in refused(tmp_path, "person", "forget", tmp_path)
